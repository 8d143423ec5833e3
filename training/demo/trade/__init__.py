"""The trade of the demo market: what is sold, at which price, and how it is written down."""
