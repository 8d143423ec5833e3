"""Our fit beside general-purpose peers, on markets and on open price data, in one table."""
