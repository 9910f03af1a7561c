"""Session files: everything that came in and was said in a run, so that it can be replayed to the bit.

Imports `host`, the rig's models and the stream's types. Begin with `format`, then `recorder` (write) and `reader` (read).
"""
