"""The commands of `python -m training`, one module each, but those of `training.cli` itself."""
