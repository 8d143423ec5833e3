"""Figures of what is asked and answered, for Prometheus, counted across all workers."""
