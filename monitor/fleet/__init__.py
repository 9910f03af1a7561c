"""Many sessions, of many rigs, worked out at once: what other rules would have said of all that was ever recorded.

Begin with `backtest` (what comes out), then `session_findings` (the unit of work), `engine` (who does it) and `parts` (what is
kept so that nothing is done twice).
"""
