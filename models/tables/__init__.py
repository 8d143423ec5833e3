"""Reading and writing tables: evidence files, stock lists, and records of evidence in a database."""
