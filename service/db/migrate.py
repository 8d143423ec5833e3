"""Bring the database to the newest revision, or back to an older one."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Engine

_SCRIPTS = Path(__file__).parent / "migrations"


def configured(engine: Engine) -> Config:
    """Alembic's own configuration, made here: there is no file of it."""
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["engine"] = engine
    return config


def upgrade(engine: Engine, revision: str = "head") -> None:
    """To this revision, forwards. Nothing happens if it is there."""
    command.upgrade(configured(engine), revision)


def downgrade(engine: Engine, revision: str) -> None:
    """To this revision, backwards."""
    command.downgrade(configured(engine), revision)


def knows(engine: Engine, revision: str) -> bool:
    """Say whether there is a migration to this revision."""
    try:
        ScriptDirectory.from_config(configured(engine)).get_revision(revision)
    except CommandError:
        return False
    return True


def check(engine: Engine) -> None:
    """Raises alembic's CommandError if tables and migrations say different things."""
    command.check(configured(engine))
