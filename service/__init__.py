"""The HTTP service: valuations, the catalogue and the vocabulary, behind keys with scopes."""
