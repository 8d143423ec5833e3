"""How error and range narrow with the number of records, and which records would help most."""
