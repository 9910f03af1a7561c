"""What surrounds every screen: the bar on top, the banner of the worst alarm, the line on the data, the keys.

Imports view, queries, bell and drawing; neither screens nor keys. Begin with `banner.banner_text`, the words of the banner as
a pure function.
"""
