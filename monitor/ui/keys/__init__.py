"""What keys do: those that work everywhere, those of a replay, and the height reference that two screens offer.

Imports view, queries, presentation and the driver; no screen and nothing that draws. Begin with `key`: a key is data, and
`ScreenContext` is all that its function may use of the app. What the crew does goes through `crew`: initials, acknowledging.
"""
