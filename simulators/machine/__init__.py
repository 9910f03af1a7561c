"""The true hoist: drum, line, block and string, with drive, brakes and hydraulics.

Imports of monitor only the rig's file, no formula. Begin with `plant`, then `integration` (one tick) and `truth`.
"""
