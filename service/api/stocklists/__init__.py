"""Stock lists: any number of instruments valued in one request, of which nothing is stored."""
