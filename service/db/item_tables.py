"""The tables of a dealer's stock: items, their values, revaluations, terms of offers, and webhooks.

They are in the metadata of `service.db.tables`.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Date, Float, ForeignKey, Index, Integer, String, Table, Text

from service.db.tables import METADATA, UtcDateTime

# ── items and their values ───────────────────────────────────────────────────

ITEMS = Table(
    "item",
    METADATA,
    Column("stock_number", String(100), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column("version", Integer, nullable=False),  # counts what the dealer changed; a new value is no change
    Column("deleted", UtcDateTime),  # the row stays, so that followers learn of it
    # Of its last change in the feed; null only before the transaction that adds it has ended.
    Column("position", BigInteger, unique=True),
    Column("last_change", String(12), nullable=False),  # which change that was
    Column("instrument", Text, nullable=False),  # JSON
    Column("maker", Text, nullable=False),  # as names are compared, of the instrument
    Column("model", Text, nullable=False),
    Column("cost", Text),  # JSON of an amount
    Column("asking", Text),  # JSON of an amount
    Column("bought", Date),
    Column("channel", String(8), nullable=False),
    Column("status", String(12), nullable=False),
    Column(
        "extra", Text, nullable=False, server_default="{}"
    ),  # JSON: the caller's own, given back untouched
    # The present value; all null for an item that no price model could value yet.
    Column("value", Text),  # JSON of an amount
    Column("intervals", Text),  # JSON
    Column("valued_on", Date),
    Column("price_model", String(64)),
    Column("evidence", String(8)),  # the word for how much evidence stands behind the value
    Column("detail", Text),  # JSON: families, claims, cautions, and what explains a later move
    Column("failure", Text),  # JSON: why the last valuing failed
    # The value once more, for the database to compare: a number, its currency, and US dollars for one of it.
    Column("amount", Float),
    Column("currency", String(3)),
    Column("rate", Float),
    Column("asking_ratio", Float),  # asking over value, in one currency; null without either
    Index("ix_item_status_stock_number", "status", "stock_number"),
    Index("ix_item_asking_ratio", "asking_ratio"),
    Index("ix_item_bought", "bought"),
    Index("ix_item_maker_model", "maker", "model"),
)

# The position of the last change of any item. Whoever changes items locks this one row first, so that
# positions become visible in their order and no follower misses one.
FEED = Table(
    "item_feed",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("position", BigInteger, nullable=False),
)

ITEM_VALUES = Table(
    "item_value",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("stock_number", String(100), ForeignKey("item.stock_number"), nullable=False),
    Column("version", Integer, nullable=False),  # of the item when it was valued
    Column("at", UtcDateTime, nullable=False),
    Column("valued_on", Date, nullable=False),
    Column("price_model", String(64), nullable=False),
    Column("instrument", Text, nullable=False),  # JSON, as it was valued
    Column("channel", String(8), nullable=False),
    Column("value", Text, nullable=False),  # JSON of an amount
    Column("amount", Float, nullable=False),  # the same as a number, for the database to compare
    Column("currency", String(3), nullable=False),
    Column("intervals", Text, nullable=False),  # JSON
    Column("rate", Float, nullable=False),  # US dollars for one unit of the currency
    Column("rate_day", Date, nullable=False),
    Column("why", Text, nullable=False),  # JSON: amounts by cause that sum to the difference
    Column("revaluation_id", String(40), ForeignKey("revaluation.id")),
    Index("ix_item_value_stock_number_valued_on", "stock_number", "valued_on"),
    Index("ix_item_value_revaluation_id", "revaluation_id"),
)

REVALUATIONS = Table(
    "revaluation",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id")),  # null: the service began it by itself
    Column("created", UtcDateTime, nullable=False),
    Column("reason", String(16), nullable=False),  # asked, price_model or schedule
    Column("filter", Text, nullable=False),  # JSON
    Column("state", String(12), nullable=False),
    Column("valued_on", Date, nullable=False),
    Column("price_model", String(64)),
    Column("total", Integer, nullable=False, server_default="0"),
    Column("done", Integer, nullable=False, server_default="0"),
    Column("failed", Integer, nullable=False, server_default="0"),
    Column("reached", String(100), nullable=False, server_default=""),  # the last stock number that is done
    Column("started", UtcDateTime),
    Column("finished", UtcDateTime),
    Column("leased", UtcDateTime),  # until when one process has it
    Index("ix_revaluation_state_created", "state", "created"),
)

# ── offers ───────────────────────────────────────────────────────────────────

OFFER_TERMS = Table(
    "offer_terms",
    METADATA,
    Column("name", String(80), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column("version", Integer, nullable=False),
    Column("currency", String(3), nullable=False),
    Column("terms", Text, nullable=False),  # JSON
)

# ── webhooks ─────────────────────────────────────────────────────────────────

WEBHOOKS = Table(
    "webhook",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("changed", UtcDateTime, nullable=False),
    Column("version", Integer, nullable=False),
    Column("url", Text, nullable=False),
    Column("description", Text),
    Column("changes", Text, nullable=False),  # JSON: the changes that it is told
    Column("state", String(12), nullable=False),
    Column("parked", UtcDateTime),
    Column("failure", Text),
    Column("deleted", UtcDateTime),
)

WEBHOOK_SECRETS = Table(
    "webhook_secret",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("webhook_id", String(40), ForeignKey("webhook.id"), nullable=False),
    Column("secret", Text, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("expires", UtcDateTime),  # null: the present one
    Index("ix_webhook_secret_webhook_id", "webhook_id"),
)

# What happened, once; the position orders the events of one item.
WEBHOOK_EVENTS = Table(
    "webhook_event",
    METADATA,
    Column("id", String(40), primary_key=True),
    Column("position", BigInteger, nullable=False),  # of the change in the feed
    Column("stock_number", String(100)),  # null: an event that is of no item
    Column("type", String(40), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("body", Text, nullable=False),  # JSON, as it is sent
    Index("ix_webhook_event_created", "created"),
)

WEBHOOK_DELIVERIES = Table(
    "webhook_delivery",
    METADATA,
    Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("webhook_id", String(40), ForeignKey("webhook.id"), nullable=False),
    Column("event_id", String(40), ForeignKey("webhook_event.id"), nullable=False),
    Column("stock_number", String(100)),
    Column("position", BigInteger, nullable=False),
    Column("state", String(12), nullable=False),
    Column("attempts", Integer, nullable=False, server_default="0"),
    Column("due", UtcDateTime, nullable=False),
    Column("leased", UtcDateTime),
    Column("delivered", UtcDateTime),
    Column("status", Integer),  # of the last answer
    Column("failure", Text),
    Index("ix_webhook_delivery_state_due", "state", "due"),
    Index("ix_webhook_delivery_webhook_id_stock_number", "webhook_id", "stock_number", "position"),
)
