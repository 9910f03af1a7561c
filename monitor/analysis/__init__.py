"""Recorded sessions worked out again as numbers: stops, descents, stands, alarm figures, heights, the fit of a drum.

Imports the engine, config, model, physics, and of adapters sessions, ledger and tables; neither screens, runtime nor report.
Begin with `parallel_replay` (a session through the core once more), then `recording` and `motion`.
"""
