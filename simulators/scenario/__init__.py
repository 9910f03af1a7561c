"""Scenario files, the simulated session they describe, and its ways into the monitor or a session file.

Imports crew, faults, sensors, machine, and all of monitor below its screens. Begin with `scenario`, then `plant_source`.
"""
