"""Recorded sessions worked out again as numbers: stops, descents, stands, alarm figures, heights, the fit of a drum.

Imports runtime and presentation and what stands below them; neither screens, web nor report.
Begin with `parallel_replay` (a session through the core once more), then `recording` and `motion`.
"""
