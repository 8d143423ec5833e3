"""The texts that owners read, one file for each language, and how each language writes money and days."""
