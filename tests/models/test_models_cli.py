"""`python -m models`: only the result on stdout, one line for what is wrong, exit codes 0, 2 and 1."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from fakes import read_fake, write_fake

from models.bundles import bundle
from models.bundles.registry import Registry
from models.cli import main
from models.commands.console import OneLineErrors

STOCK = "id,maker,model,condition_neck,price\nA,Ostvik,Dal,3,100\nB,Ostvik,Dahl,,\nC,ostvik,DAL,9,\n"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(bundle, "_reader", lambda: read_fake)
    folder = tmp_path / "store"
    for base in (8.0, 8.1):
        write_fake(folder, base, seed=base)
    registry = Registry(folder)
    registry.promote(registry.versions()[0], who="ann", why="first")
    (tmp_path / "stock.csv").write_text(STOCK)
    return folder


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def wrong(code: int, *args: object) -> str:
    """Run a command that must fail with this code and print one line, on stderr alone; give that line."""
    found = run(*args)
    assert (found.exit_code, found.stdout) == (code, "")
    assert found.stderr.startswith("Error: ") and found.stderr.count("\n") == 1
    assert "Traceback" not in found.stderr
    return found.stderr


def test_list_marks_the_current_one(store: Path) -> None:
    first, second = Registry(store).versions()
    assert run("list", "--store", store).stdout == f"* {first}\n  {second}\n"
    rows = json.loads(run("list", "--store", store, "--json").stdout)
    assert [(row["version"], row["current"]) for row in rows] == [(first, True), (second, False)]


def test_promote_and_rollback_print_the_version_that_is_current_now(store: Path) -> None:
    first, second = Registry(store).versions()
    assert run("promote", second, "--store", store, "--who", "bo", "--why", "newer").stdout == f"{second}\n"
    assert Registry(store).current().version == second
    assert run("rollback", "--store", store, "--why", "worse").stdout == f"{first}\n"
    assert [(c.who, c.why) for c in Registry(store).history()][1] == ("bo", "newer")
    assert Registry(store).history()[2].who  # the login name


def test_a_bundle_that_the_gate_stopped_is_promoted_with_a_word_of_it(store: Path) -> None:
    checks = [
        {"name": "coverage at 90%", "passed": False, "detail": "70% of 90 sales inside"},
        {"name": "error", "passed": True, "detail": "no worse"},
    ]
    stopped = write_fake(store, 9.0, gate={"passed": False, "checks": checks})
    found = run("promote", stopped, "--store", store, "--why", "it is urgent")
    assert (found.exit_code, found.stdout) == (0, f"{stopped}\n")
    said = "coverage at 90%: 70% of 90 sales inside"
    assert said in found.stderr and found.stderr.count("\n") == 1
    assert Registry(store).history()[-1].why == f"it is urgent (the gate said: {said})"


@pytest.mark.parametrize("option", ["--who", "--why"])
@pytest.mark.parametrize("text", ["", "  ", "a\nb", "a\0b"])
def test_who_and_why_are_lines_of_text(store: Path, option: str, text: str) -> None:
    before = Registry(store).history()
    assert option in wrong(2, "promote", Registry(store).versions()[1], "--store", store, option, text)
    assert option in wrong(2, "rollback", "--store", store, option, text)
    assert Registry(store).history() == before


def test_show_says_what_a_bundle_holds_and_what_became_of_it(store: Path) -> None:
    first, second = Registry(store).versions()
    text = run("show", "--store", store).stdout
    assert first in text and "(current)" in text and "catalogue.toml" in text and "by ann: first" in text
    shown = json.loads(run("show", second, "--store", store, "--json").stdout)
    assert (shown["version"], shown["current"], shown["about"], shown["history"]) == (
        second,
        False,
        {"seed": 8.1},
        [],
    )


def test_value_prints_csv_and_nothing_else_on_stdout(store: Path, tmp_path: Path) -> None:
    found = run("value", tmp_path / "stock.csv", "--store", store, "--levels", "0.5,0.95")
    assert found.exit_code == 1  # two rows could not be valued
    rows = list(csv.DictReader(io.StringIO(found.stdout)))
    assert [row["id"] for row in rows] == ["A", "B", "C"]
    assert [bool(row["value"]) for row in rows] == [True, False, False]
    assert "did you mean Dal" in rows[1]["error"] and "from 0 to 5" in rows[2]["error"]
    assert {"low_50", "high_95"} <= set(rows[0]) and "low_80" not in rows[0]
    assert found.stderr.count("price") == 1 and "2 of 3 rows" in found.stderr


def test_value_in_words_tells_each_row_and_says_how_many_failed(store: Path, tmp_path: Path) -> None:
    found = run("value", tmp_path / "stock.csv", "--store", store, "--levels", "0.5", "--words")
    assert found.exit_code == 1
    assert [line[:2] for line in found.stdout.splitlines() if not line.startswith(" ") and line] == [
        "A:",
        "B:",
        "C:",
    ]
    assert "  50% range: $" in found.stdout and "did you mean Dal" in found.stdout
    assert "2 of 3 rows could not be valued: each says why" in found.stderr


@pytest.mark.parametrize("more", [(), ("--words",)])
def test_a_stock_list_of_which_no_row_can_be_valued_exits_with_1(
    store: Path, tmp_path: Path, more: tuple[str, ...]
) -> None:
    out = tmp_path / "values"
    (tmp_path / "stock.csv").write_text("id,maker,model\nB,Ostvik,Dahl\n")
    found = run("value", tmp_path / "stock.csv", "--store", store, "--out", out, *more)
    assert found.exit_code == 1
    assert "did you mean Dal" in out.read_text()
    assert found.stderr.count("\n") == 1 and found.stderr.startswith("Error: 1 of 1 rows could not be valued")


def test_value_from_a_store_that_holds_nothing_says_to_fit(tmp_path: Path) -> None:
    (tmp_path / "stock.csv").write_text(STOCK)
    said = wrong(1, "value", tmp_path / "stock.csv", "--store", tmp_path)
    assert "it holds none: fit one first" in said


def test_value_writes_a_file_and_then_prints_nothing(store: Path, tmp_path: Path) -> None:
    out = tmp_path / "values.csv"
    out.write_text("old")
    found = run("value", tmp_path / "stock.csv", "--store", store, "--out", out)
    assert (found.exit_code, found.stdout) == (1, "")  # two rows could not be valued
    assert out.read_text() == run("value", tmp_path / "stock.csv", "--store", store).stdout
    assert sorted(p.name for p in tmp_path.iterdir()) == ["stock.csv", "store", "values.csv"]


def test_values_that_cannot_be_finished_leave_the_old_file_alone(store: Path, tmp_path: Path) -> None:
    out = tmp_path / "values.csv"
    out.write_text("old")
    (tmp_path / "stock.csv").write_text("name,maker\n1,2\n")
    assert "lacks id, model" in wrong(1, "value", tmp_path / "stock.csv", "--store", store, "--out", out)
    assert out.read_text() == "old" and len(list(tmp_path.iterdir())) == 3


def test_value_reads_stdin(store: Path) -> None:
    found = CliRunner().invoke(main, ["value", "-", "--store", str(store)], input=STOCK.encode())
    assert found.exit_code == 1 and found.stdout.count("\n") == 4
    good = "".join(STOCK.splitlines(keepends=True)[:2])
    assert CliRunner().invoke(main, ["value", "-", "--store", str(store)], input=good.encode()).exit_code == 0


def test_value_uses_the_bundle_that_is_current(store: Path, tmp_path: Path) -> None:
    before = run("value", tmp_path / "stock.csv", "--store", store).stdout
    run("promote", Registry(store).versions()[1], "--store", store)
    assert run("value", tmp_path / "stock.csv", "--store", store).stdout != before


def test_value_takes_the_day_market_and_currency_of_rows_that_name_none(store: Path, tmp_path: Path) -> None:
    rows = tmp_path / "terms.csv"
    rows.write_text(
        "id,maker,model,date,channel,currency\nA,Ostvik,Dal,,,\nB,Ostvik,Dal,2026-01-04,private,USD\n"
    )
    found = run(
        "value", rows, "--store", store, "--date", "2026-01-03", "--channel", "Dealer", "--currency", "eur"
    )
    assert found.exit_code == 0
    said = [
        (row["date"], row["channel"], row["currency"], row["rate_day"])
        for row in csv.DictReader(io.StringIO(found.stdout))
    ]
    assert said == [
        ("2026-01-03", "dealer", "EUR", "2026-01-02"),
        ("2026-01-04", "private", "USD", "2026-01-04"),
    ]


@pytest.mark.parametrize(
    ("option", "text", "named"),
    [
        ("--date", "3.1.2026", "YYYY-MM-DD"),
        ("--date", "", "required"),
        ("--date", "2101-01-01", "2100"),
        ("--channel", "moon", "private"),
        ("--currency", "QQQ", "EUR"),
    ],
)
def test_wrong_terms_are_wrong_use(store: Path, tmp_path: Path, option: str, text: str, named: str) -> None:
    said = wrong(2, "value", tmp_path / "stock.csv", "--store", store, option, text)
    assert option in said and named in said


@pytest.mark.parametrize("levels", ["", "0.5,", "80", "0", "1", "a", "0.5;0.8", "nan"])
def test_wrong_levels_are_wrong_use(store: Path, tmp_path: Path, levels: str) -> None:
    assert "--levels" in wrong(2, "value", tmp_path / "stock.csv", "--store", store, "--levels", levels)


def test_wrong_use_exits_with_2(store: Path, tmp_path: Path) -> None:
    assert "nothere" in wrong(2, "value", tmp_path / "nothere.csv", "--store", store)
    assert "Is a directory" in wrong(2, "value", tmp_path, "--store", store)
    nowhere = tmp_path / "nowhere" / "out.csv"
    assert "--out" in wrong(2, "value", tmp_path / "stock.csv", "--store", store, "--out", nowhere)
    assert "--store" in wrong(2, "list")
    assert "nowhere" in wrong(2, "list", "--store", tmp_path / "nowhere")
    assert "VERSION" in wrong(2, "promote", "--store", store)
    assert "No such command" in wrong(2, "demote", "--store", store)
    assert "--loud" in wrong(2, "list", "--loud", "--store", store)


def test_what_else_goes_wrong_exits_with_1(store: Path, tmp_path: Path) -> None:
    assert "no earlier" in wrong(1, "rollback", "--store", store)
    assert "no bundle 'latest'" in wrong(1, "promote", "latest", "--store", store)
    (Registry(store).folder(Registry(store).versions()[0]) / "fake.json").write_text("{}")
    assert "fake.json" in wrong(1, "value", tmp_path / "stock.csv", "--store", store)


def test_an_unforeseen_error_is_one_line_too(capsys: pytest.CaptureFixture[str]) -> None:
    @click.group(cls=OneLineErrors)
    def group() -> None: ...

    @group.command()
    def broken() -> None:
        raise ZeroDivisionError("two\nlines")

    with pytest.raises(SystemExit) as caught:
        group.main(["broken"])
    assert caught.value.code == 1
    assert capsys.readouterr().err == "Error: unexpected ZeroDivisionError: two lines\n"


def test_the_module_runs_as_a_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "models", "--help"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and all(
        c in done.stdout for c in ("list", "show", "promote", "rollback", "value")
    )
    none = subprocess.run([sys.executable, "-m", "models"], capture_output=True, text=True, check=False)
    assert none.returncode == 2 and none.stdout == "" and "Usage" in none.stderr


def test_valuing_loads_no_library_of_fitting_or_of_the_web() -> None:
    heavy = "{'lightgbm', 'scipy', 'pandas', 'matplotlib', 'flask', 'sqlalchemy', 'marshmallow'}"
    code = f"import models.cli, models.bundles.bundle, sys; print({heavy} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
