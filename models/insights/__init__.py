"""Everything that is said beside a value: comparables, questions, alternatives, sentences, pictures."""
