"""The same answers as `models.price.clear` gives, looked up instead of worked out.

What a field adds to a value depends on its own value and on those of few others. So it is worked out once, by
the clear path, with its row of the design, and remembered: an answer is a sum over what is remembered of the
specimen's fields. A number that takes too many values for that lies on curves that are straight between
knots; the knots are remembered. Tests hold both paths together on thousands of specimens.
"""
