"""The named numbers that rules, screens and exports look at, each with its validity.

Imports hoist, brakes, estimator and what is below. Begin with `table` (one row per signal), then `evaluation` (the order of
the machines at one grid point).
"""
