"""Work on many sessions."""
