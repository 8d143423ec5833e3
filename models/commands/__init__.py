"""The parts that all commands share: exit codes, options and output."""
