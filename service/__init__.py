"""Values over HTTP. Knows `models`, and nothing of `training`."""
