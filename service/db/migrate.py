"""Migrate the database to the newest revision, or back to an older one."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Engine

_SCRIPTS = Path(__file__).parent / "migrations"


def configured(engine: Engine) -> Config:
    """Return Alembic's configuration, which is made here instead of in a file."""
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["engine"] = engine
    return config


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Migrate the database forwards to this revision; do nothing if it is there already."""
    command.upgrade(configured(engine), revision)


def downgrade(engine: Engine, revision: str) -> None:
    """Migrate the database backwards to this revision."""
    command.downgrade(configured(engine), revision)


def knows(engine: Engine, revision: str) -> bool:
    """Say whether this program has a migration to this revision."""
    try:
        ScriptDirectory.from_config(configured(engine)).get_revision(revision)
    except CommandError:
        return False
    return True


def check(engine: Engine) -> None:
    """Raise alembic's CommandError if the tables differ from those that the migrations make."""
    command.check(configured(engine))
