"""Schemas of price models, cards and promotions. A card, which the fit writes, can have more members."""

from __future__ import annotations

from typing import Any

from marshmallow import INCLUDE, Schema, fields, post_load

from service.api.price_models.changes import LONGEST, Reason, read_reason
from service.dumping import OpenObject, described, dumper, objects
from service.texts import text_schema


class Open(Schema):
    """An object that can have more members than those named."""

    class Meta:
        """Marshmallow's options: members that are not named are kept."""

        unknown = INCLUDE


class CardSchema(Open):
    """A price model's card: what it is, its evidence, and how it did on sales that it had not seen."""

    title = fields.String(**described("what the document is"))
    made = fields.String(**described("the day on which the price model was fitted"))


class FittedOnSchema(Open):
    """The evidence that a price model was fitted on: how many records of each kind, from which days."""

    rows = fields.Integer(metadata={"description": "records in all"})
    sale = fields.Integer(metadata={"description": "closed sales"})
    asking = fields.Integer(metadata={"description": "asking prices"})
    offer = fields.Integer(metadata={"description": "declined offers"})
    first = fields.String(metadata={"description": "the day of the first record"})
    last = fields.String(metadata={"description": "the day of the last record"})


class JudgedSchema(Open):
    """A price model's scores on sales that it had not seen: later sales, or sales of instruments left out."""

    sales = fields.Integer(metadata={"description": "sales that it was judged on"})
    coverage = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        metadata={"description": "by level, the share of prices that its range held"},
    )
    interval_score = fields.Float(
        allow_none=True,
        metadata={
            "description": "interval score of the 90% range, on the logarithm of the price; lower is better"
        },
    )


class GateCheckSchema(Schema):
    """One check of the gate."""

    name = fields.String(**described("what was checked"))
    passed = fields.Boolean(**described("whether the price model passed"))
    detail = fields.String(**described("what was found"))


class GateSchema(Open):
    """The result of the checks before promotion (the gate), by the fit, against the model then current."""

    passed = fields.Boolean(**described("whether it let the price model pass"))
    checks = objects(GateCheckSchema, "its checks")
    common_sales = fields.Integer(metadata={"description": "sales that both price models were judged on"})


class ModelEntrySchema(Schema):
    """A price model of the store."""

    version = fields.String(**described("its version"))
    created = fields.String(**described("when it was fitted; null: it cannot be read", optional=True))
    current = fields.Boolean(**described("whether it is the promoted one"))
    provisional = fields.Boolean(
        **described(
            "whether it is provisional: it has not yet passed the gate; null: it cannot be read",
            optional=True,
        )
    )
    problem = fields.String(
        **described("what is wrong with its files; null: nothing was found", optional=True)
    )
    evidence = OpenObject(
        FittedOnSchema, **described("what it was fitted on; null: not recorded", optional=True)
    )
    judged = OpenObject(
        JudgedSchema,
        **described("how it did on sales that it had not seen; null: it was not judged", optional=True),
    )
    gate = OpenObject(GateSchema, **described("the verdict of the gate; null: it gave none", optional=True))


class ModelsListSchema(Schema):
    """The price models of the store."""

    models = objects(ModelEntrySchema, "every price model, oldest first")
    current = fields.String(**described("the version that is promoted; null: none", optional=True))
    serving = fields.String(**described("the version that the answering worker serves", optional=True))
    refused = fields.String(
        **described("why that worker does not serve the promoted one, if it does not", optional=True)
    )


class ReasonSchema(Schema):
    """The reason for a change of model and who decides it; both are kept for good."""

    # Members are Raw, because `service.api.price_models.changes` checks them.
    why = fields.Raw(
        required=True,
        metadata={**text_schema(LONGEST), "description": "the reason"},
    )
    who = fields.Raw(
        allow_none=True,
        metadata={
            **text_schema(LONGEST),
            "description": "who decides; default: the label of the key, whose id is kept in any case",
        },
    )

    @post_load
    def _reason(self, data: dict[str, Any], **_: Any) -> Reason:
        return read_reason(**data)


class PromotionSchema(ReasonSchema):
    """The reason for a promotion, who decides it, and whether to override the gate."""

    force = fields.Raw(
        allow_none=True,
        metadata={
            "type": "boolean",
            "description": "true: promote it even if the gate stopped it. Then `who` must be sent, and the "
            "override is recorded; default: false",
        },
    )


class ModelChangeSchema(Schema):
    """One promotion or rollback."""

    when = fields.String(**described("when, in UTC"))
    action = fields.String(**described("promote or rollback", enum=["promote", "rollback"]))
    version = fields.String(**described("what became current"))
    before = fields.String(**described("the version that it replaced; null: there was none", optional=True))
    who = fields.String(**described("who decided, and by which key"))
    why = fields.String(**described("the reason"))


class MadeChangeSchema(ModelChangeSchema):
    """The change that was asked for, and the price model that serves now."""

    done = fields.Boolean(**described("whether this request did it; false: it had been done before"))
    serving = fields.String(**described("the version that the answering worker serves now", optional=True))
    provisional = fields.Boolean(**described("whether what became current is provisional", optional=True))
    refused = fields.String(**described("why that worker serves another version, if it does", optional=True))


class ModelChangesSchema(Schema):
    """The latest changes."""

    changes = objects(ModelChangeSchema, "newest first, at most 200")


dump_entry, dump_list = dumper(ModelEntrySchema), dumper(ModelsListSchema)
dump_change, dump_made_change = dumper(ModelChangeSchema), dumper(MadeChangeSchema)
