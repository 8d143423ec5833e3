"""The one command, `bookmatch`: it stands on the three rooms and holds nothing but their names."""
