"""Tables in and out: rows of evidence, stock lists, and the columns of a record in a database."""
