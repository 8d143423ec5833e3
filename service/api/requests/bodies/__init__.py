"""The bodies of a request for an appraisal and of its changes, and how they are read."""
