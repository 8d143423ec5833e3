"""The words of the trade: fields, instruments, catalogues, records of evidence and amounts of money."""
