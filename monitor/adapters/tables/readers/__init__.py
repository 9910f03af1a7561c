"""Files of other recorders as rows of text: CSV, xlsx, Parquet, LAS 2.0 and WITSML logs behind one interface, `table.Table`.

Imports nothing of the rig: what a column means is the map's business. Begin with `table`, then `opening`.
"""
