"""The API, a folder for each resource: its routes, its schemas, and the services that do the work."""
