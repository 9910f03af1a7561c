"""What an engineer wants from a log: strokes, stands, trips, line work by activity, stops, time beyond limits.

All of it follows from height and load over time (`Series`), whatever their step; begin with `series`, then `strokes`.
"""
