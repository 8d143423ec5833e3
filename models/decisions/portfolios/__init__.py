"""The value of many instruments together: totals with their shared errors, and the risk of the market."""
