"""The one evaluator of a fitted core: values, ranges and reasons, for any kind of table.

What a field adds to a value depends on its own value and on those of few others. So it is worked out once,
with its row of the design, and kept: an answer is a sum over what is kept of a row's fields. A number that
takes too many values for that lies on curves that are straight between knots; the knots are kept.
"""
