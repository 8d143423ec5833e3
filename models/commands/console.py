"""All commands share this: exit codes, errors in one line, and files that only their owner can read.

Exit codes: 0 for success, 2 for wrong use, 1 for other errors.
"""

import getpass
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from models.bundles.access import S3
from models.errors import BookmatchError

A_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
A_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
NEW_FILE = click.Path(dir_okay=False, path_type=Path)
NEW_FOLDER = click.Path(file_okay=False, path_type=Path)


class StoreType(click.Path):
    """A store of price models: a folder, or s3://BUCKET/PREFIX. `new`: the folder may be missing."""

    def __init__(self, *, new: bool = False) -> None:
        super().__init__(exists=not new, file_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if str(value).startswith(S3):
            from models.bundles.places import store_at  # late: `--help` must answer at once

            return store_at(str(value))
        return super().convert(value, param, ctx)


json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def on_one_thread() -> None:
    """Keep numpy on one thread, unless the environment sets a number. Call this before numpy is imported.

    The matrices of a fit are small: several threads on one matrix mostly wait for each other.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def login() -> str:
    """Return the login name of whoever runs this command."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # The user of a container may have no name.
        return str(os.getuid())


def examples(*lines: str) -> str:
    """Return the epilog of a command's help: example commands, each on its own line."""
    title = "Examples:" if len(lines) > 1 else "Example:"
    return "\n".join(("\b", title, *(f"  {line}" for line in lines)))


class OneLineErrors(click.Group):
    """A group of click commands that reports every error in one line, never as a traceback.

    What a command writes (databases, price models, keys, values) is for its owner alone.
    """

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command and exit with its exit code."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        umask = os.umask(0o077)
        try:
            found = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
            code = found if isinstance(found, int) else 0
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message(), err=True)
            code = error.exit_code
        except click.UsageError as error:
            where = error.ctx.command_path if error.ctx else "this command"
            code = _said(f"{error.format_message()} (see {where} --help)", error.exit_code)
        except click.ClickException as error:
            code = _said(error.format_message(), error.exit_code)
        except click.Abort:
            code = _said("interrupted", 1)
        except BookmatchError as error:
            code = _said(str(error), 1)
        except OSError as error:
            name = f"{error.filename}: " if error.filename else ""
            code = _said(f"{name}{error.strerror or error}", 1)
        except Exception as error:  # Users get one line for unexpected errors too, not a traceback.
            code = _said(f"unexpected {type(error).__name__}: {error}", 1)
        finally:
            os.umask(umask)
        sys.exit(code)


def _said(text: str, code: int) -> int:
    click.echo(f"Error: {' '.join(text.split())}", err=True)
    return code
