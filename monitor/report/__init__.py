"""The report of a session: what is in it, worked out anew from the recorded inputs, as one printable HTML page."""
