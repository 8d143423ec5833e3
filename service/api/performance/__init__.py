"""How good the service's own past valuations were, by the sales that came after them."""
