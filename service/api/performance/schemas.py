"""Schemas of the study of past valuations."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.dumping import Pairs, described, dumper, objects


class StatisticSchema(Schema):
    """A statistic with its 95% confidence interval (bootstrap over sales)."""

    value = fields.Float(**described("the statistic; null: these sales do not give one", optional=True))
    low = fields.Float(**described("lower end of the interval; null: too few sales", optional=True))
    high = fields.Float(**described("upper end of the interval; null: too few sales", optional=True))


def _statistic(text: str) -> fields.Nested:
    return fields.Nested(StatisticSchema, **described(f"{text}; null: too few sales", optional=True))


class RangeFiguresSchema(Schema):
    """The share of prices that the ranges of one level held."""

    level = fields.Float(**described("the level: the share of prices that such ranges should hold"))
    sales = fields.Integer(**described("sales whose valuation gave a range of this level"))
    inside = fields.Float(**described("the share of those whose price was inside"))
    interval_score = fields.Float(
        **described(
            "mean interval score on the log scale: width plus a penalty for misses; smaller is better"
        )
    )


class FiguresSchema(Schema):
    """The ratio study of some sales; a ratio is value over price."""

    sales = fields.Integer(**described("how many sales"))
    median_ratio = _statistic("the middle ratio")
    mean_ratio = _statistic("the mean ratio")
    weighted_mean_ratio = _statistic("all values over all prices")
    cod = _statistic("coefficient of dispersion: mean departure from the middle ratio, in per cent of it")
    prd = _statistic("price-related differential: above 1, expensive instruments are valued too low")
    prb = _statistic("price-related bias: by how much the ratio changes when the value doubles")
    median_error = _statistic("median absolute error, in per cent of the price")
    rmse_log = _statistic("root mean squared error of the logarithm of the price")
    ranges = objects(RangeFiguresSchema, "how many prices the ranges of the usual levels held")


class GroupSchema(Schema):
    """The members that name a group of sales."""

    grouping = fields.String(
        **described("what sales are grouped by: price, channel, build, edition, unknown or evidence")
    )
    group = fields.String(**described("the name of the group"))


class GroupFiguresSchema(FiguresSchema, GroupSchema):
    """The ratio study of one group of sales."""


class LeftOutSchema(Schema):
    """Valuations with an outcome that the study leaves out, counted for one reason."""

    reason = fields.String(**described("why they are left out"))
    valuations = fields.Integer(**described("how many valuations"))


class AcceptedSchema(Schema):
    """The range of a statistic that is held to be good."""

    statistic = fields.String(**described("the name of the statistic"))
    low = fields.Float(**described("the lower end"))
    high = fields.Float(**described("the upper end"))


class PerformanceSchema(Schema):
    """The ratio study of the service's own past valuations."""

    from_ = fields.Date(
        **described("first day of the period, if the request names one", optional=True), data_key="from"
    )
    to = fields.Date(**described("last day of the period, if the request names one", optional=True))
    judged = fields.Integer(**described("how many sales are judged, each by the last value before it"))
    left_out = Pairs(LeftOutSchema, **described("how many outcomes are left out, by reason"))
    first = fields.Date(**described("day of the first sale judged; null: there is none", optional=True))
    last = fields.Date(**described("day of the last sale judged; null: there is none", optional=True))
    sentence = fields.String(**described("the study in a sentence, or why there is none"))
    overall = fields.Nested(FiguresSchema, **described("the study of all sales"))
    groups = objects(GroupFiguresSchema, "the study of each group")
    accepted = Pairs(
        AcceptedSchema,
        **described(
            "what the standard on ratio studies of mass appraisal (IAAO, 2013) accepts, for comparison"
        ),
    )
    cautions = fields.List(fields.String(), **described("what to know before relying on the figures"))


dump_performance = dumper(PerformanceSchema)
