"""A request that is sent twice with one Idempotency-Key is done once and answered alike."""
