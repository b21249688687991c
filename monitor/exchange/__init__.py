"""Files that people bring and take: the register, the log, and tables for a spreadsheet. Text in, text out. Pure."""
