"""The recipe "A new noun of the API" of DEVELOPERS.md as files and edits of text, for an invented noun.

The files that the recipe adds stand in `noun/`, where they would stand in the project. The requests of
documents and of the fuzzer (steps 8 to 10) are not among them: those tests take minutes.
"""

from __future__ import annotations

from pathlib import Path

from checks.recipe_steps import step

from service.db.engine import REVISION

ADDED = Path(__file__).with_name("noun")
MIGRATION = "service/db/migrations/versions/watchlists.py"
OWN_TESTS = "tests/service/watchlists.py"
NAMES = {OWN_TESTS: "tests/service/test_watchlists.py"}  # under its own name it would be run here too
NEXT = "_watchlists"  # a revision has at most 32 characters in alembic's table on PostgreSQL
REVISIONS = {'"NEW"': f'"{REVISION}{NEXT}"', '"OLD"': f'"{REVISION}"'}

SHOWN = '{"id": "wat_0", "name": "basses", "created": "2026-01-02T03:04:05.678Z"}'
EDITS = (
    step(
        2,
        "service/db/tables.py",
        "return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)\n",
        """

WATCHLISTS = Table(
    "watchlist",
    METADATA,
    Column("number", BigInteger().with_variant(Integer, "sqlite"), primary_key=True),
    Column("id", String(40), nullable=False, unique=True),
    Column("key_id", String(16), ForeignKey("api_key.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("created", UtcDateTime, nullable=False),
)
""",
    ),
    step(3, "service/db/engine.py", f'REVISION = "{REVISION}', NEXT),
    step(
        4,
        "service/app.py",
        "from service.api.vocabulary import routes as vocabulary\n",
        "from service.api.watchlists import routes as watchlists\n",
        "BLUEPRINTS = (\n",
        "    watchlists.blp,\n",
    ),
    step(5, "pyproject.toml", '    "catalogue | health', " | watchlists"),
    step(
        6,
        "service/docs/complete.py",
        "PATH_PARAMETERS = {\n",
        '    "watchlist_id": "the id of a watchlist, from the list of watchlists",\n',
    ),
    step(
        6,
        "service/docs/examples.py",
        "BODIES = {\n",
        '    "WatchlistRequest": {"name": "basses to look at"},\n',
    ),
    step(
        7,
        "tests/service/operations_asked.py",
        "ASKED = [\n",
        """    ("post", "/v1/watchlists", "/v1/watchlists", {"name": "basses"}),
    ("get", "/v1/watchlists", "/v1/watchlists?limit=1", None),
    ("get", "/v1/watchlists/{watchlist_id}", "/v1/watchlists/{watchlist_id}", None),
""",
        '    asked = asked.replace("{version}", str(parts(app).live.version))\n',
        """    if path.startswith("/v1/watchlists"):  # two, so that there is more than one page
        ids = [caller.post("/v1/watchlists", {"name": "basses"}).json["id"] for _ in range(2)]
        asked = asked.replace("{watchlist_id}", ids[0])
""",
    ),
    step(
        7,
        "tests/service/who_may.py",
        "GET     /v1/performance                                          evidence\n",
        """\
POST    /v1/watchlists                                           evidence
GET     /v1/watchlists                                           evidence
GET     /v1/watchlists/{watchlist_id}                            evidence
""",
    ),
    step(
        7,
        "tests/service/test_who_may_ask.py",
        '    "key_id": "0" * 12,\n',
        '    "watchlist_id": "wat_" + "0" * 26,\n',
    ),
    step(
        8,
        "service/docs/examples.json",
        '{\n "create',  # the first name of the file, createValuation, is cut here
        f"""Watchlist": {{"201": {{"application/json": {SHOWN}}}}},
 "listWatchlists": {{"200": {{"application/json": {{"watchlists": [{SHOWN}]}}}}}},
 "showWatchlist": {{"200": {{"application/json": {SHOWN}}}}},
 "create""",
    ),
)
