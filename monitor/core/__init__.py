"""The monitor itself: pure and synchronous, with no clock and no file. Inputs go in, findings and snapshots come out.

Imports physics, model, and of config only `rig` and `rule`. Begin with `engine`; its packages in the order in which a grid
point runs through them: sensors, estimator, hoist, brakes, signals, alarms, checks.
"""
