"""From a subject to a valuation in money: its value, ranges, factors, claims and cautions."""
