"""The documentation: the OpenAPI document and a page made from it that needs no network."""
