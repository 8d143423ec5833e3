"""The desk: the specialist's pages, which call the same functions as the API."""
