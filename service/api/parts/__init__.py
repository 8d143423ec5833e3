"""The parts that an answer can have beside a valuation's figures, such as comparables and questions."""
