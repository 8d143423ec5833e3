"""Metrics of requests and answers for Prometheus, counted across all workers."""
