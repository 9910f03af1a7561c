"""The machine that the monitor runs on: clock, errors of the system, output, logs, shutdown, service manager, metrics.

Imports model, text and errors; no other package of adapters. Begin with `clock`, then `os_errors`.
"""
