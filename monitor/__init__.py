"""Stopmark, the advisory monitor of a drilling rig's hoist: it reads, shows, warns and records, and never commands.

The floors, top to bottom: cli, commands, web and report, ui and analysis, runtime and presentation, adapters, core,
config, physics and model, then units, text and errors. Begin with `model.stream`, then `core.engine`.
"""
