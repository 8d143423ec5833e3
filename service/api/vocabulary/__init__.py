"""The vocabulary: every field, its terms and what they mean."""
