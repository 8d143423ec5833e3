"""Schemas of answers with an offer, and with kept terms."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from models.decisions.askings import LEAST_RECORDS
from models.decisions.offers import LIMITS
from models.decisions.terms import TAX_ON, TERMS, written_terms
from service.api.values.schemas import CautionSchema
from service.api.vocabulary.instrument import InstrumentAnswer
from service.dumping import Made, StoredJson, TextOfWhole, Whole, described, dumper, objects
from service.http.schemas import Moment, money, provisional_member, rate_members

_FEW = f"null: the evidence holds fewer than {LEAST_RECORDS} of them"


def _text(meaning: str) -> fields.String:
    return fields.String(**described(meaning, pattern=r"^\d+(\.\d+)?$"))


GivenTermsSchema: type[Schema] = Schema.from_dict(
    {name: _text(f"{term.meaning}, as decimal text") for name, term in TERMS.items()}, name="GivenTermsSchema"
)
GivenTermsSchema.__doc__ = "Terms as they count, each as decimal text."


class UsedTermsField(Made, fields.Nested):  # type: ignore[misc]  # a parameter's name differs
    """The terms that an offer was made on."""

    def __init__(self, **options: Any) -> None:
        fields.Nested.__init__(self, GivenTermsSchema, **options)
        self.make = written_terms


class OfferStepSchema(Schema):
    """One line of the arithmetic."""

    name = fields.String(**described("which line it is"))
    amount = money("its amount; what is taken off is below 0")
    text = fields.String(**described("the line as a sentence"))


class ProfitQuantileSchema(Schema):
    """An amount below which a share of cases lies."""

    chance = fields.Float(**described("the share of cases: 0.05 is one in twenty"))
    amount = money("the profit that so many cases stay below")


class ProfitSchema(Schema):
    """The profit of a purchase, and how it is distributed."""

    expected = money("the expected profit", attribute="expected_profit")
    margin = fields.Float(
        attribute="expected_margin",
        **described("the expected profit as a share of the price paid; null: nothing is paid", optional=True),
    )
    quantiles = objects(ProfitQuantileSchema, "amounts that the profit stays below, by chance")


class DealSchema(Schema):
    """A purchase at one price."""

    paid = money("the price paid")
    profit = Whole(ProfitSchema, **described("the profit"))
    chance_of_loss = fields.Float(**described("the chance that the profit is below 0"))


class PriceSharesSchema(Schema):
    """Shares that records of one kind say, by quartile."""

    records = fields.Integer(**described("the number of records that it rests on, the newest 60 at most"))
    of = fields.String(
        **described(
            "model: all are of the instrument's model; all_models: that has too few",
            enum=["model", "all_models"],
        )
    )
    low = fields.Float(**described("a quarter of them lie below"))
    median = fields.Float(**described("half of them lie below"))
    high = fields.Float(**described("three quarters of them lie below"))


class CameDownSchema(Schema):
    """Prices that shares of records say."""

    records = fields.Integer(
        attribute="shares.records", **described("the number of records that it rests on")
    )
    low = money("a quarter of them say less")
    median = money("half of them say less")
    high = money("three quarters of them say less")


class AskedAnswerSchema(Schema):
    """An asked price, set against the most to pay."""

    amount = money("the asked price in the currency of the answer")
    percentile = fields.Float(**described("per cent of resale prices that lie below it"))
    profit = fields.Nested(ProfitSchema, attribute="deal", **described("the profit at that price"))
    chance_of_loss = fields.Float(
        attribute="deal.chance_of_loss", **described("the chance of a loss at that price")
    )
    steps = objects(
        OfferStepSchema,
        "lines from the expected resale; they sum to the expected profit",
        attribute="deal.steps",
    )
    walk_away = money("the walk-away point: the most to pay")
    over = money("the asked price minus the walk-away point")
    came_down_to = fields.Nested(
        CameDownSchema,
        attribute="by_value",
        **described(f"what such asking prices are worth by the price model; {_FEW}", optional=True),
    )
    sold_for = fields.Nested(
        CameDownSchema,
        attribute="by_sales",
        **described(f"what instruments sold for within a year of such asking prices; {_FEW}", optional=True),
    )


def _shares(text: str, attribute: str) -> fields.Nested:
    return fields.Nested(
        PriceSharesSchema, attribute=attribute, **described(f"{text}; {_FEW}", optional=True)
    )


class OfferEvidenceSchema(Schema):
    """The evidence about prices that were not paid."""

    askings = _shares("value by the price model / asking price", "talk.asked")
    sold = _shares("price paid / asking price, of instruments sold within a year of it", "talk.sold")
    declined = _shares("offer that was declined / value by the price model", "talk.declined")
    declined_at = fields.Nested(
        CameDownSchema,
        attribute="declined",
        **described(f"offers for this one that would be like the declined ones; {_FEW}", optional=True),
    )


class UncertaintySchema(Schema):
    """The price of what is not known."""

    unknown_ = fields.List(
        fields.String(),
        data_key="unknown",
        attribute="unknown",
        **described("fields that are not known, by path"),
    )
    if_known = money("the most to pay if all were known, at the same expected resale price")
    price = money("if_known minus the most to pay: the price of not knowing")
    if_typical = money("the most to pay if they turn out as on the typical instrument")
    if_unseen = money("the most to pay if nothing were known of the condition")
    on_condition = money(
        "the most to pay minus if_unseen: what rests on the condition as described; below 0 for one that is "
        "described as worse than usual"
    )


class MendedSchema(Schema):
    """A part that is put right before the resale."""

    field = fields.String(**described("the field by path"))
    now = fields.Raw(**described("its state now"))
    then = fields.Raw(**described("its state at the resale"))
    cost = money("its cost, which is part of the work")


class OfferSchema(Schema):
    """An offer: the most to pay, a first offer, and what an asked price means."""

    date = fields.Date(attribute="valuation.day", **described("the day of the purchase"))
    sold_on = fields.Date(**described("the day of the resale, for the range of its price"))
    channel = fields.String(attribute="valuation.channel", **described("the market of the resale"))
    currency = fields.String(attribute="valuation.currency", **described("the currency of every amount"))
    rate_day, rate_source = rate_members(of="valuation.rate_").values()
    instrument = InstrumentAnswer(
        attribute="valuation.instrument", **described("the instrument as it is resold")
    )
    value = money("its value: the median of resale prices", attribute="valuation.value")
    expected_resale = money("the mean of resale prices, which lies above the median")
    most_to_pay = money("the most to pay on these terms", attribute="ceiling.most_to_pay")
    set_by = fields.String(
        attribute="ceiling.set_by",
        **described("; ".join(f"{name}: {text}" for name, text in LIMITS.items()), enum=list(LIMITS)),
    )
    first_offer = money(
        "the most to pay times the median share of evidence.askings, and no more than is asked",
        attribute="first.paid",
    )
    profit = fields.Nested(
        ProfitSchema, attribute="ceiling.deal", **described("the profit at the most to pay")
    )
    chance_of_loss = fields.Float(
        attribute="ceiling.deal.chance_of_loss", **described("the chance of a loss at the most to pay")
    )
    at_first_offer = fields.Nested(
        DealSchema, attribute="first", **described("the first offer as a purchase")
    )
    asked = fields.Nested(
        AskedAnswerSchema, **described("the asked price, set against the offer; null: none", optional=True)
    )
    steps = objects(
        OfferStepSchema,
        "lines from the expected resale to the most to pay; all but the last sum to the last",
        attribute="ceiling.steps",
    )
    terms = UsedTermsField(**described("the terms that count, the cost of parts put right included"))
    tax_on = TextOfWhole(
        lambda _: TAX_ON,
        **described("what the tax is on: the margin, resale price minus price paid", enum=[TAX_ON]),
    )
    costs = objects(MendedSchema, "parts that are put right before the resale", attribute="mended")
    gain = money("what they add to the expected resale price")
    evidence = Whole(OfferEvidenceSchema, **described("what the evidence says of prices that were not paid"))
    uncertainty = fields.Nested(UncertaintySchema, **described("the price of what is not known"))
    cautions = objects(CautionSchema, "what to know before paying")
    model_version = fields.String(
        attribute="valuation.model_version", **described("the price model that gave these figures")
    )
    provisional = provisional_member("valuation.provisional")


class KeptTermsSchema(Schema):
    """Terms that are kept under a name."""

    name = fields.String(**described("the name"))
    currency = fields.String(**described("the currency of their amounts"))
    terms = StoredJson(GivenTermsSchema, **described("the terms"))
    created = Moment(**described("when they were first kept, in UTC"))
    changed = Moment(**described("when they were last changed, in UTC"))


class KeptTermsPageSchema(Schema):
    """A page of kept terms."""

    offer_terms = objects(KeptTermsSchema, "the terms, in the order in which they were first kept")


dump_offer, dump_kept = dumper(OfferSchema), dumper(KeptTermsSchema)
