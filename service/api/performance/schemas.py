"""Schemas of the study of past valuations."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.dumping import Pairs, described, dumper, objects


class StatisticSchema(Schema):
    """A statistic with its 95% confidence interval (bootstrap over sales)."""

    value = fields.Float(**described("the statistic; null: these sales do not give one", optional=True))
    low = fields.Float(**described("lower end; null: too little to say", optional=True))
    high = fields.Float(**described("upper end; null: too little to say", optional=True))


def _statistic(text: str) -> fields.Nested:
    return fields.Nested(StatisticSchema, **described(f"{text}; null: too few sales", optional=True))


class RangeFiguresSchema(Schema):
    """The share of prices that the ranges of one level held."""

    level = fields.Float(**described("the level: the share of prices that such ranges should hold"))
    sales = fields.Integer(**described("sales whose valuation gave a range of it"))
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
    prd = _statistic("price-related differential: above 1, dear ones are valued low")
    prb = _statistic("price-related bias: by how much the ratio changes when the value doubles")
    median_error = _statistic("median absolute error, in per cent of the price")
    rmse_log = _statistic("root mean squared error of the logarithm of the price")
    ranges = objects(RangeFiguresSchema, "how ranges of the usual levels did")


class GroupSchema(Schema):
    """The members that name a group of sales."""

    grouping = fields.String(**described("by what: price, channel, build, edition, unknown or evidence"))
    group = fields.String(**described("the group"))


class GroupFiguresSchema(FiguresSchema, GroupSchema):
    """The ratio study of one group of sales."""


class LeftOutSchema(Schema):
    """Valuations with an outcome that judges nothing."""

    reason = fields.String(**described("why"))
    valuations = fields.Integer(**described("how many"))


class AcceptedSchema(Schema):
    """The range of a statistic that is held to be good."""

    statistic = fields.String(**described("of which statistic"))
    low = fields.Float(**described("from"))
    high = fields.Float(**described("to"))


class PerformanceSchema(Schema):
    """The ratio study of the service's own past valuations."""

    from_ = fields.Date(
        **described("first day of the period that was asked for", optional=True), data_key="from"
    )
    to = fields.Date(**described("last day of it", optional=True))
    judged = fields.Integer(**described("sales judged: one value each, the last before the sale"))
    left_out = Pairs(LeftOutSchema, **described("outcomes that are not judged, by reason"))
    first = fields.Date(**described("day of the first sale judged; null: there is none", optional=True))
    last = fields.Date(**described("day of the last sale judged; null: there is none", optional=True))
    sentence = fields.String(**described("the study in a sentence, or why there is none"))
    overall = fields.Nested(FiguresSchema, **described("of all sales"))
    groups = objects(GroupFiguresSchema, "by group")
    accepted = Pairs(
        AcceptedSchema,
        **described("what the standard on ratio studies of mass appraisal (IAAO, 2013) accepts: a yardstick"),
    )
    cautions = fields.List(fields.String(), **described("what to know before relying on the figures"))


dump_performance = dumper(PerformanceSchema)
