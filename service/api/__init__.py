"""One folder for each noun: its routes, its schemas, and the services that do the work."""
