"""The commands of `python -m training` that `training.cli` does not define itself, with their helpers."""
