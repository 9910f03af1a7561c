"""The report of a session as one printable HTML page.

Imports analysis, presentation and what stands below them; neither screens, web nor commands. Begin with `page.SECTIONS`,
then `context` (what every section is written from) and one section.
"""
