"""What a value is made of: instrument, catalogue, evidence, the price model and its bundle.

Knows no web, no database and nothing of how a model is fitted.
"""
