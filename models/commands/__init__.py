"""Code that the commands share: exit codes, options and output."""
