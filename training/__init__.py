"""Reading evidence, the demo market, fitting, calibrating and judging. Knows nothing of the service."""
