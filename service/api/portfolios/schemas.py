"""Schemas of answers with a portfolio."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.costs import MOST_LEFT_OUT
from models.decisions.portfolios.portfolio import AGE_UNKNOWN, AGES
from service.api.values.schemas import CautionSchema, IntervalSchema
from service.dumping import TextOfWhole, Whole, described, dumper, objects
from service.http.schemas import money, provisional_member, rate_members

RESTS_ON = (
    "the fitted market index: its moves over spans as long as the horizon, how sure these are by the price "
    "model, and how sure the total is today. Not in it: what no market of these years showed, the exchange "
    "rate, a sale in a hurry, theft and damage."
)


class KnownAmountsSchema(Schema):
    """The sum of amounts that some of the items have."""

    items = fields.Integer(**described("how many items have one"))
    amount = money("the sum, at the exchange rates of the day")
    value = money("the sum of the values of these items")


class PortfolioTotalSchema(Schema):
    """The total of a group of items."""

    items = fields.Integer(**described("how many items"))
    value = money("the sum of the items' values; each is a median, and the median of the total is another")
    expected = money("the expected total: what the ranges lie around")
    intervals = objects(IntervalSchema, "ranges of the total, with the errors that items share")
    share = fields.Float(**described("the part of the expected total of the whole portfolio"))
    cost = fields.Nested(KnownAmountsSchema, **described("what the items cost, where that is known"))
    asking = fields.Nested(
        KnownAmountsSchema, **described("what is asked for the items, where that is known")
    )


class MakerTotalSchema(PortfolioTotalSchema):
    """The total of a maker's items."""

    maker = TextOfWhole(lambda one: one.name[0], **described("the maker"))


class ModelTotalSchema(MakerTotalSchema):
    """The total of a model's items."""

    model = TextOfWhole(lambda one: one.name[1], **described("the model"))


class AgeTotalSchema(PortfolioTotalSchema):
    """The total of items that were bought in the same span of time."""

    age = TextOfWhole(
        lambda one: one.name[0],
        **described("how long ago they were bought", enum=[*(name for _, name in AGES), AGE_UNKNOWN]),
    )


class PortfolioLossSchema(Schema):
    """A loss that is not exceeded, by chance."""

    level = fields.Float(**described("the chance that the loss is no larger: 0.95 is nineteen of twenty"))
    amount = money("the expected total now minus what is left; 0 where that is a gain")
    market = money("the same by the moves of the market alone")
    left = money("the total that is left at the end of the horizon")


class PortfolioRiskSchema(Schema):
    """What the portfolio may lose within the horizon."""

    horizon_months = fields.Integer(attribute="history.months", **described("the months that it looks ahead"))
    rests_on = TextOfWhole(lambda _: RESTS_ON, **described("what these figures rest on"))
    since = fields.Date(attribute="history.first", **described("the first day of the index", optional=True))
    until = fields.Date(attribute="history.last", **described("the last day of the index", optional=True))
    spans = fields.Float(
        attribute="history.windows",
        **described("how many spans as long as the horizon lie side by side in that time"),
    )
    drift = fields.Float(attribute="history.drift", **described("the mean move over such a span, in log"))
    volatility = fields.Float(
        attribute="history.sd", **described("the standard deviation of a move, in log, as the index knows it")
    )
    covered = fields.Float(
        attribute="history.share",
        **described("the part of the expected total whose models make the index: the twelve largest"),
    )
    losses = objects(PortfolioLossSchema, "losses by chance; none where the history is too short")


class UnvaluedItemSchema(Schema):
    """An item that is not in the total."""

    stock_number = fields.String(**described("its stock number"))
    reason = fields.String(**described("why it has no value"))


class UnvaluedItemsSchema(Schema):
    """The items that were asked for and are not in the total."""

    count = fields.Integer(attribute="left_out_count", **described("how many there are"))
    items = objects(UnvaluedItemSchema, f"the first {MOST_LEFT_OUT} of them", attribute="shown")


class PortfolioSchema(Schema):
    """The value of many items together."""

    date = fields.Date(attribute="portfolio.day", **described("the day of the values"))
    currency = fields.String(attribute="portfolio.currency", **described("the currency of every amount"))
    rate_day, rate_source = rate_members(of="portfolio.rate.").values()
    total = fields.Nested(
        PortfolioTotalSchema, attribute="portfolio.total", **described("all items together")
    )
    makers = objects(MakerTotalSchema, "the same by maker, the largest first", attribute="portfolio.makers")
    models = objects(ModelTotalSchema, "the same by model, the largest first", attribute="portfolio.models")
    ages = objects(AgeTotalSchema, "the same by age, the youngest first", attribute="portfolio.ages")
    value_at_risk = fields.Nested(
        PortfolioRiskSchema,
        attribute="portfolio.value_at_risk",
        **described("what may be lost within the horizon"),
    )
    left_out = Whole(UnvaluedItemsSchema, **described("items that are not in the total"))
    cautions = objects(CautionSchema, "what to know before relying on it", attribute="portfolio.cautions")
    model_version = fields.String(
        attribute="portfolio.model_version", **described("the price model that gave these figures")
    )
    provisional = provisional_member("portfolio.provisional")


dump_portfolio = dumper(PortfolioSchema)
