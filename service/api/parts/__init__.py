"""The parts that stand beside the figures of a valuation: comparables, questions, sentences and more."""
