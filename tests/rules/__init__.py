"""One case file per rule: what makes it fire, what must not, and that lost data never clears it."""
