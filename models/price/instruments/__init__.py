"""The price model of instruments: feature columns, the typical reference instrument, and the model itself."""
