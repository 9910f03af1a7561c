"""What several commands share: their arguments, the part of a session they read, the live run, progress and the screen.

Imports what commands import, at run time only where it is used; no single command. Begin with `live_run`, then `arguments`.
"""
