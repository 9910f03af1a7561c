"""Files of other recorders as rows of text: CSV, xlsx, Parquet, LAS 2.0 and WITSML logs behind one interface, `table.Table`.

Imports nothing of the rig: what a column means is the map's business. What a file is, its first bytes say, not its name.
Everything streams; only xlsx and Parquet from a pipe pass through a temporary file. XML goes through `safe_xml`, also the parts
of a workbook before openpyxl sees them: hardened libraries refuse document types by the same means, but build trees and bound
neither depth nor size. `lasio` (extra ``logs``) reads the headers of LAS files, of which there are many dialects; it would hold
all rows in memory, so `las` reads these itself. Begin with `table`, then `opening`.
"""
