"""The vocabulary: frozen types that cross a seam between two parts.

Imports units, text and errors only. Begin with `stream` (what comes in), then `reading`, then `alarm` and
`snapshot` (what goes out).
"""
