"""The price model of instruments: their columns, their reference, and the model itself."""
