"""The commands of `python -m service`."""
