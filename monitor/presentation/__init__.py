"""What pages and documents show, as plain values: rows of text, and panels over time. Pure."""
