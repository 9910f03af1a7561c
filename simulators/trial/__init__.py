"""Trials: many random runs of the whole monitor on the simulated rig, scored against the truth."""
