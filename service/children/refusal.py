"""The one error that a child tells its caller about."""


class RefusedInput(Exception):  # noqa: N818  # it names what happened to the input
    """The input is not taken; the message says why."""
