"""Stock lists: any number of instruments in one request, valued and forgotten."""
