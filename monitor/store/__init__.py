"""The database: one SQLite file in which facts are only added. Every function takes the connection first."""
