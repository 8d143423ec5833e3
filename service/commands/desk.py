"""`python -m service desk`: who may sign in at the desk."""

from __future__ import annotations

import io
from typing import TextIO

import click
from sqlalchemy import Engine

from models.commands.console import examples
from service.db.engine import check_revision, open_engine
from service.settings import Settings, read_settings


@click.group()
def desk() -> None:
    """Say who may sign in at the desk, the specialist's pages under /desk."""


_PASSWORD = click.option(
    "--password-file",
    type=click.File("r", encoding="utf-8"),
    help="A file whose first line is the password, - for the standard input; default: asked for.",
)


def _opened() -> tuple[Settings, Engine]:
    settings = read_settings()
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds)
    check_revision(engine)
    return settings, engine


def _password(given: TextIO | None) -> str:
    if given is not None:
        return given.readline().rstrip("\r\n")
    asked: str = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    return asked


@desk.command(epilog=examples("bookmatch desk add Ann", "bookmatch desk add Ann --password-file -"))
@click.argument("name")
@_PASSWORD
def add(name: str, password_file: TextIO | None) -> None:
    """Add a user, and print the address of the second factor for an app, as text and as a QR code.

    It is the only time that it is shown.
    """
    from service.desk.users import records

    settings, engine = _opened()
    seed = records.add(engine, name, _password(password_file))
    _show(settings, seed, name.strip())


def _show(settings: Settings, seed: str, name: str) -> None:
    import segno

    from service.desk.users.second_factor import address

    found = address(settings.secret, seed, name)
    click.echo(found)
    drawn = io.StringIO()
    segno.make(found).terminal(drawn, compact=True)
    click.echo(f"{drawn.getvalue()}\nScan this with an app for codes that change (TOTP).", err=True)


@desk.command("list", epilog=examples("bookmatch desk list"))
def list_users() -> None:
    """List the users, oldest first, each with the key that records name it by."""
    from service.desk.users import records

    for user in records.users(_opened()[1]):
        locked = f"locked until {user.locked:%Y-%m-%d %H:%M:%S} UTC" if user.locked else "not locked"
        click.echo(f"{user.name}  key {user.key_id}  since {user.created:%Y-%m-%d}  {locked}")


@desk.command(epilog=examples("bookmatch desk remove Ann"))
@click.argument("name")
def remove(name: str) -> None:
    """Remove a user: the sessions end at once, and what the user did stays on record."""
    from service.desk.users import records

    records.remove(_opened()[1], name)
    click.echo(name)


@desk.command(epilog=examples("bookmatch desk password Ann", "bookmatch desk password Ann --new-factor"))
@click.argument("name")
@_PASSWORD
@click.option("--new-factor", is_flag=True, help="Make a new second factor too, and print its address.")
def password(name: str, password_file: TextIO | None, new_factor: bool) -> None:
    """Give a user a new password. It ends the lock and all sessions."""
    from service.desk.users import records

    settings, engine = _opened()
    seed = records.change_password(engine, name, _password(password_file), new_factor=new_factor)
    if seed:
        _show(settings, seed, name.strip())
    else:
        click.echo(name)
