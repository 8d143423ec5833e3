"""The parts of a value: instrument, catalogue, evidence, the price model and its bundle.

Nothing here knows the web, a database or how a model is fitted.
"""
