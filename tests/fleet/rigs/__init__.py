"""Several rigs at once."""
