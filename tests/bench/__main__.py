"""`make bench`: how fast it is, as shares of what else the same machine does in the same run.

Nothing here is asserted: a machine that has other work to do makes every figure worse, and some shares too.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import NamedTuple

import click
import orjson
from in_process import ROWS, bulk, one_by_one, own_boosters, ready_seconds
from over_http import CONNECTIONS, WANTED, ratios
from postgres import server_in
from steps import steps

from models.bundles.registry import Registry
from models.domain.instrument import Subject
from models.price.instruments.model import GuitarModel
from models.valuation.valuer import Valuer
from training.reading import read_evidence

# Way of valuing many → the least share of `Booster.predict`'s rate that it shall reach.
BULK_WANTED = {"value and ranges": 0.5, "value, ranges and reasons": 0.3}


class Line(NamedTuple):
    """One figure of the table, and what it is wanted to be."""

    what: str
    figure: str
    wanted: str = ""
    met: bool | None = None
    beside: str = ""


@click.command()
@click.option("--store", type=click.Path(path_type=Path), default=Path("var/store"), show_default=True)
@click.option("--demo", type=click.Path(path_type=Path), default=Path("var/demo"), show_default=True)
@click.option("--rounds", default=7, show_default=True, help="Rounds over HTTP, each of both sides.")
@click.option("--seconds", default=3.0, show_default=True, help="Seconds of each round.")
@click.option("--postgresql/--no-postgresql", default=True, help="Also keep records in one of its own.")
def main(store: Path, demo: Path, rounds: int, seconds: float, postgresql: bool) -> None:
    """Print every figure as a share of another of the same run, and what each step of a request costs."""
    valuer = Registry(store).load().valuer
    subjects = _subjects(valuer, demo)
    bodies = [_body(subject) for subject in subjects]
    _print_lines(f"load average at the start: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", ())
    _print_lines("One process", _in_process(store, valuer, subjects))
    _print_lines(f"Over HTTP, 2 workers, {CONNECTIONS} connections", _http(store, bodies, rounds, seconds))
    if postgresql:
        with _postgresql() as address:
            _print_lines("The same on PostgreSQL", _http(store, bodies, rounds, seconds, address))
    click.echo("\nSteps of a request, one thread, median microseconds")
    for name, microseconds in steps(store, bodies[:3000]):
        click.echo(f"  {name:<42}{microseconds:9.1f}")
    _print_lines(f"load average at the end: {os.getloadavg()[0]:.1f}", ())


def _subjects(valuer: Valuer, demo: Path) -> list[Subject]:
    rows = read_evidence(demo / "evidence.csv", valuer.catalogue, valuer.rates, progress=False).rows
    return [row.subject for row in rows]


def _body(subject: Subject) -> bytes:
    return orjson.dumps({"instrument": subject.instrument.to_nested(), "channel": subject.channel})


def _in_process(store: Path, valuer: Valuer, subjects: Sequence[Subject]) -> Iterator[Line]:
    first, again = one_by_one(valuer, subjects)
    for when, times in (("first asked", first), ("asked again", again)):
        middle, tail = median(times), sorted(times)[len(times) * 99 // 100]
        what = f"value, ranges and reasons, {when}: ms"
        yield Line(f"{what}, median", f"{middle:.3f}", "<= .8", middle <= 0.8)
        yield Line(f"{what}, 99% within", f"{tail:.3f}", "<= 3", tail <= 3)
    ready = ready_seconds(store)
    yield Line("a worker is ready: s from the start of Python", f"{ready:.2f}", "<= 1.5", ready <= 1.5)
    assert isinstance(valuer.model, GuitarModel)
    boosters = own_boosters(valuer.model)
    trees = sum(booster.num_trees() for booster in boosters)
    against = "bulk is measured against these" if trees else "there is nothing to measure bulk against"
    yield Line(f"trees of the bundle, in {len(boosters)} boosters: {against}", f"{trees:,}")
    for found in bulk(valuer, subjects):
        share, memory = median(found.shares), found.grown
        rates = f"{median(found.rates):,.0f} to {median(found.booster):,.0f} rows/s, {memory:+.0f} MB"
        least = BULK_WANTED.get(found.name)
        wanted = ("", None) if least is None else (f">= {least:g}", share >= least)
        what = f"bulk, {ROWS:,} rows, {found.name}, by Booster.predict"
        yield Line(what, f"{share:.3f}", *wanted, f"{rates}; {_span(found.shares)}")


def _http(
    store: Path, bodies: Sequence[bytes], rounds: int, seconds: float, database: str | None = None
) -> Iterator[Line]:
    memory = 0.0
    for found in ratios(store, bodies, rounds, seconds, database):
        share, wanted, memory = median(found.shares), WANTED[found.path], found.resident
        latency = sorted(t * 1000 for round_ in found.ours for t in round_.latencies)
        rates = f"{median(r.rate for r in found.ours):,.0f} to {median(r.rate for r in found.bare):,.0f} /s"
        tail = latency[len(latency) * 99 // 100]
        beside = f"{rates}; {_span(found.shares)}; ms {median(latency):.1f}, 99% within {tail:.1f}"
        need = (f">= {wanted:.2f}", share >= wanted) if database is None else ("", None)
        yield Line(f"POST /v1/{found.path} by bare Flask ({found.size} bytes)", f"{share:.3f}", *need, beside)
    yield Line("memory of a worker afterwards: MB", f"{memory:.0f}", "<= 150", memory <= 150)


def _span(shares: Sequence[float]) -> str:
    return f"from {min(shares):.3f} to {max(shares):.3f}"


@contextmanager
def _postgresql() -> Iterator[str]:
    with TemporaryDirectory() as folder:
        server = server_in(Path(folder) / "postgres")
        try:
            yield server.get_uri()
        finally:
            server.cleanup()


def _print_lines(title: str, lines: Iterator[Line] | Sequence[Line]) -> None:
    click.echo(f"\n{title}")
    for line in lines:
        verdict = "" if line.met is None else "met" if line.met else "MISSED"
        click.echo(f"  {line.figure:>8}  {line.wanted:<7} {verdict:<7} {line.what}")
        if line.beside:
            click.echo(f"{'':28}{line.beside}")


if __name__ == "__main__":
    main()
