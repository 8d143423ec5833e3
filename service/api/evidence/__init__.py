"""Evidence over HTTP: record, correct and withdraw sales, asking prices and offers, and show the changes."""
