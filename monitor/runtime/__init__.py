"""Runs of the monitor: one `Runner` for live, replayed and simulated readings, and what drives it.

Imports core, adapters, config and model; neither presentation nor ui. Begin with `runner`, then `live`, then `replay`.
"""
