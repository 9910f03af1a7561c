"""A map proposed for a log nobody has described: columns by heads, units and values, times by looking, with the evidence.

Imports the readers, the map and the rig's models. Begin with `propose`.
"""
