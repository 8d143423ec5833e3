"""The types that all else is built on: fields, instruments, the catalogue, records of evidence, and money."""
