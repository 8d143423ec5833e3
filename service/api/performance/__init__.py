"""The ratio study of the service's own past valuations against the sales that followed."""
