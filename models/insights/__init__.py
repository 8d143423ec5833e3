"""Information beside a value: comparable sales, questions to ask, alternatives, sentences and pictures."""
