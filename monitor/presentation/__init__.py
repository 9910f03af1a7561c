"""Figures and units as text, the same on screen, page and in what commands print: `format` for signals, `figures` for entries.

Imports the ledger's entries, model, units and what stands below them; neither runtime nor ui. Begin with `format.Units`.
"""
