"""The fitted core of a price model, on any kind of table: backbone, trees, posterior and spread."""
