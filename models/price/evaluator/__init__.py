"""The evaluator: it computes values, ranges and effects from a fitted core, for any kind of table.

A field's contribution to a value depends on the field and on few others. So each contribution is computed
once, together with its row of the regression design, and cached; an answer is a sum of cached entries. A
number with too many values for that is interpolated between cached knots.
"""
