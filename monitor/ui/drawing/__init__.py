"""What screens are drawn with: a grid of characters with roles, the themes' colours, and the widget that shows the grid.

Imports model and what stands below it, nothing else of ui. Begin with `canvas`; `theme` says what each role looks like.
"""
