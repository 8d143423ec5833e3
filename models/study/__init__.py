"""Compare values with prices paid: values of a price model, or values that a service gave in the past."""
