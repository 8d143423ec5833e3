"""The fitted core of a price model, for any kind of table: backbone regression, trees, posterior, spread."""
