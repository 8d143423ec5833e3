"""The demo market's own evidence through the service, and a command that judges by it from the database."""

from __future__ import annotations

import json
from pathlib import Path

from apps import NewDatabase, caller_of, parts
from asking import SECRET
from click.testing import CliRunner

from service.app import create_app
from service.db.engine import open_engine
from service.db.migrate import upgrade
from service.settings import Settings
from training.cli import main


def test_a_model_is_judged_alike_by_a_file_and_by_the_database_that_took_it(
    demo_store: Path, demo_market: Path, new_database: NewDatabase
) -> None:
    settings = Settings(store=demo_store, secret=SECRET, database=new_database("sqlite"))
    engine = open_engine(settings.database)
    upgrade(engine)
    engine.dispose()
    app = create_app(settings)
    holdout = demo_market / "holdout.csv"
    sent = caller_of(app, "evidence").post(
        "/v1/evidence", holdout.read_bytes(), **{"Content-Type": "text/csv"}
    )
    assert sent.json["accepted"] == sent.json["rows"] > 100
    by_file, by_database = (
        CliRunner().invoke(main, ["evaluate", str(source), "--store", str(demo_store), "--json"])
        for source in (holdout, settings.database)
    )
    assert by_file.exit_code == by_database.exit_code == 0
    assert json.loads(by_database.stdout) == json.loads(by_file.stdout)
    parts(app).engine.dispose()
