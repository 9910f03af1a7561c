"""What can go wrong with readings, with their delivery and with the machine.

Imports machine, sensors and config. Begin with `base` (the hooks, and what a fault can reach), then `table`.
"""
