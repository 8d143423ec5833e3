"""The solve of the regression problem, the values left out of it, and the rules of practice in it."""
