"""The pages of the desk, a module for each kind."""
