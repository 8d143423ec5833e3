"""The pages of owners' requests: the queue, and all that is done with one."""
