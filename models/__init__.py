"""Everything that a valuation is made of: instrument, catalogue, evidence, price model and bundle.

No module here uses the web, opens a database or fits a model.
"""
