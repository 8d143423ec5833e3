"""What the study of past valuations looks like."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.schemas import said


class StatisticSchema(Schema):
    """A statistic with its 95% confidence interval (bootstrap over sales)."""

    value = fields.Float(**said("the statistic; null: these sales do not give one", optional=True))
    low = fields.Float(**said("lower end; null: too little to say", optional=True))
    high = fields.Float(**said("upper end; null: too little to say", optional=True))


def _statistic(text: str) -> fields.Nested:
    return fields.Nested(StatisticSchema, **said(f"{text}; null: too few sales", optional=True))


class RangeFiguresSchema(Schema):
    """How the ranges of one level did."""

    level = fields.Float(**said("the level: the share of prices that such ranges should hold"))
    sales = fields.Integer(**said("sales whose valuation gave a range of it"))
    inside = fields.Float(**said("the share of those whose price was inside"))
    interval_score = fields.Float(
        **said("mean interval score on the log scale: width plus a penalty for misses; smaller is better")
    )


class FiguresSchema(Schema):
    """The ratio study of some sales; a ratio is value over price."""

    sales = fields.Integer(**said("how many sales"))
    median_ratio = _statistic("the middle ratio")
    mean_ratio = _statistic("the mean ratio")
    weighted_mean_ratio = _statistic("all values over all prices")
    cod = _statistic("coefficient of dispersion: mean departure from the middle ratio, in per cent of it")
    prd = _statistic("price-related differential: above 1, dear ones are valued low")
    prb = _statistic("price-related bias: by how much the ratio changes when the value doubles")
    median_error = _statistic("median absolute error, in per cent of the price")
    rmse_log = _statistic("root mean squared error of the logarithm of the price")
    ranges = fields.List(
        fields.Nested(RangeFiguresSchema),
        **said("how ranges of the usual levels did"),
    )


class GroupFiguresSchema(FiguresSchema):
    """The ratio study of one group of sales."""

    grouping = fields.String(**said("by what: price, channel, build, edition, unknown or evidence"))
    group = fields.String(**said("the group"))


class LeftOutSchema(Schema):
    """Valuations with an outcome that judges nothing."""

    reason = fields.String(**said("why"))
    valuations = fields.Integer(**said("how many"))


class AcceptedSchema(Schema):
    """What is held to be good."""

    statistic = fields.String(**said("of which statistic"))
    low = fields.Float(**said("from"))
    high = fields.Float(**said("to"))


class PerformanceSchema(Schema):
    """How good the service's own past valuations were."""

    from_ = fields.Date(**said("first day of the period that was asked for", optional=True), data_key="from")
    to = fields.Date(**said("last day of it", optional=True))
    judged = fields.Integer(**said("sales judged: one value each, the last before the sale"))
    left_out = fields.List(fields.Nested(LeftOutSchema), **said("outcomes that are not judged, by reason"))
    first = fields.Date(**said("day of the first sale judged; null: there is none", optional=True))
    last = fields.Date(**said("day of the last sale judged; null: there is none", optional=True))
    sentence = fields.String(**said("the study in a sentence, or why there is none"))
    overall = fields.Nested(FiguresSchema, **said("of all sales"))
    groups = fields.List(fields.Nested(GroupFiguresSchema), **said("by group"))
    accepted = fields.List(
        fields.Nested(AcceptedSchema),
        **said("what the standard on ratio studies of mass appraisal (IAAO, 2013) accepts: a yardstick"),
    )
    cautions = fields.List(fields.String(), **said("what to know before relying on the figures"))
