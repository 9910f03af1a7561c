"""Trials: many random runs of the whole monitor on the simulated rig, scored against the truth.

Imports scenario, machine, and of monitor what scenario does. Begin with `cases` (what is drawn), then `runs` and `danger`.
"""
