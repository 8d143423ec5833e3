"""Webhooks: other systems are told of changes of the stock, as Standard Webhooks 1.0 has it."""
