"""Compare our fit with general-purpose regression methods, on demo markets and open price data."""
