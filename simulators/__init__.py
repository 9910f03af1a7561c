"""A simulated rig that is the truth for trying the monitor: machine, crew, sensors, faults and delivery.

May import monitor; monitor never imports it. Begin with `scenario.plant_source`, which puts all of them together.
"""
