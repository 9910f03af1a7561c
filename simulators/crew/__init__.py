"""The hand on the levers: moves, programs of work, and what a scenario may set of them.

Imports machine and the rig's file. Begin with `operator`, then `programs`.
"""
