"""Parts that several screens draw: bars, large digits, the mast, plots, sections of rows, labels of signals.

Imports view, queries, history, drawing and presentation; no screen and no key. Begin with `sections`, which most screens are
made of, then `mast`.
"""
