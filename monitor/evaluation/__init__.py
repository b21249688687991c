"""How good the list was: the season replayed with what was known, and curves fitted to what was found. Pure."""
