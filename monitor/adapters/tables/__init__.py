"""Tables of other programs: sessions written as CSV, Parquet and xlsx, and field logs read in.

Imports `sessions`, the rig's models and core's decoder, never the engine. Begin with `table_file`, then `export`.
"""
