"""Solve the regression problem, value each row by a fit without it, and weight the rules of practice."""
