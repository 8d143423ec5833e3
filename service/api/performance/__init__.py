"""The ratio study of the service's own past valuations, by the sales that came after them."""
