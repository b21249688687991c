"""Weather of a yard: the canonical hourly table, its quality rules, and the public services that fill it."""
