"""The catalogue as the next fit is to have it: what is added and corrected over the served one."""
