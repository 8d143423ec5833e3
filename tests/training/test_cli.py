"""The commands: what they print where, and how they end. The fit is a fake; its own tests stand elsewhere."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from fitted_fake import fit_fake, read_fake

import models.bundles.bundle
from models.bundles.registry import Registry
from training import release
from training.cli import main
from training.demo.files import write_market
from training.demo.market import Market


@pytest.fixture(scope="module")
def files(small_market: Market, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("market")
    write_market(folder, small_market, 3, progress=False)
    return folder


@pytest.fixture(autouse=True)
def fake_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    def fit(rows: Any, catalogue: Any, rates: Any, seed: int, **_: Any) -> Any:
        model = fit_fake(rows, catalogue, rates, seed)
        return SimpleNamespace(model=model, report={"seed": seed})

    monkeypatch.setattr(release, "fit_anew", fit)
    monkeypatch.setattr(models.bundles.bundle, "_reader", lambda: read_fake)


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def fit(files: Path, store: Path, *more: str) -> Result:
    return run(
        "fit", files / "evidence.csv", "--catalogue", files / "catalogue.toml", "--store", store, *more
    )


def forced(files: Path, store: Path) -> str:
    found = fit(files, store, "--promote", "--force", "--who", "Ada", "--why", "first of its kind")
    assert found.exit_code == 0, found.stderr
    return found.stdout.strip()


def test_help_is_there_for_every_command() -> None:
    found = run("--help")
    assert found.exit_code == 0
    for command in ("fit", "evaluate", "backtest", "demo"):
        assert command in found.stdout
        assert run(command, "--help").exit_code == 0


def test_fit_prints_the_version_and_names_what_it_refused(files: Path, tmp_path: Path) -> None:
    found = fit(files, tmp_path)
    assert found.exit_code == 0, found.stderr
    version = found.stdout.strip()
    assert Registry(tmp_path).versions() == (version,)
    # The demo's wrong rows, each with its line.
    lines = [line for line in found.stderr.splitlines() if line.startswith("refused line ")]
    assert len(lines) >= 5
    assert f"{len(lines)} rows were refused" in found.stderr
    manifest = Registry(tmp_path).manifest(version)
    assert {"card.html", "card.json", "judged.npz"} <= set(manifest["files"])
    assert manifest["about"]["refused_rows"] == len(lines)
    with pytest.raises(models.bundles.bundle.BundleMissingError):
        Registry(tmp_path).current()


def test_the_card_in_the_bundle_has_the_figures_of_the_manifest(files: Path, tmp_path: Path) -> None:
    fit(files, tmp_path)
    (version,) = Registry(tmp_path).versions()
    folder = Registry(tmp_path).folder(version)
    card = json.loads((folder / "card.json").read_text())
    about = Registry(tmp_path).manifest(version)["about"]
    assert about["judged"] == card["study"]["overall"]
    assert about["gate"] == card["gate"]


def test_strict_makes_a_bad_row_an_error(files: Path, tmp_path: Path) -> None:
    found = fit(files, tmp_path, "--strict")
    assert found.exit_code == 1
    assert found.stdout == ""
    assert "line " in found.stderr
    assert "Traceback" not in found.stderr
    assert not Registry(tmp_path).versions()


def test_the_gate_refuses_and_force_is_recorded(
    files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fake's ranges fail on later sales once they are a hundredth as wide."""
    plain_fit = release.fit_anew

    def narrow(*args: Any, **kwargs: Any) -> Any:
        model = plain_fit(*args, **kwargs).model
        return SimpleNamespace(model=replace(model, spread=0.01), report={})

    monkeypatch.setattr(release, "fit_anew", narrow)
    found = fit(files, tmp_path, "--promote")
    assert found.exit_code == 1
    (version,) = Registry(tmp_path).versions()
    assert found.stdout.strip() == version
    assert "not promoted: coverage" in found.stderr
    assert not Registry(tmp_path).history()
    forced(files, tmp_path)
    (change,) = Registry(tmp_path).history()
    assert change.who == "Ada"
    assert change.why.startswith("first of its kind (by force; the gate said: coverage")


def test_the_holdout_model_sees_nothing_of_the_sales_it_is_judged_by_and_the_model_sees_all(
    files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain_fit, seen = release.fit_anew, []

    def watched(rows: Any, *args: Any, **kwargs: Any) -> Any:
        seen.append((len(rows), max(row.day for row in rows).isoformat()))
        return plain_fit(rows, *args, **kwargs)

    monkeypatch.setattr(release, "fit_anew", watched)
    version = fit(files, tmp_path).stdout.strip()
    card = json.loads((Registry(tmp_path).folder(version) / "card.json").read_text())
    (few, before), (all_rows, last) = seen
    assert before < card["study"]["first"] <= card["study"]["last"] <= last
    assert few < all_rows == card["evidence"]["rows"]


@pytest.mark.parametrize(
    "more", [("--force",), ("--promote", "--force"), ("--promote", "--force", "--why", "because")]
)
def test_force_without_who_and_why_is_wrong_use(files: Path, tmp_path: Path, more: tuple[str, ...]) -> None:
    found = fit(files, tmp_path, *more)
    assert found.exit_code == 2
    assert "--who" in found.stderr


def test_a_second_bundle_is_held_against_the_first(files: Path, tmp_path: Path) -> None:
    forced(files, tmp_path)
    found = fit(files, tmp_path)
    assert "absolute log error" in found.stderr
    about = Registry(tmp_path).manifest(found.stdout.strip())["about"]
    assert about["gate"]["common_sales"] == about["judged"]["sales"]


def test_evaluate(files: Path, tmp_path: Path) -> None:
    version = forced(files, tmp_path)
    found = run("evaluate", files / "holdout.csv", "--store", tmp_path, "--json")
    assert found.exit_code == 0, found.stderr
    said = json.loads(found.stdout)
    assert said["version"] == version
    assert said["overall"]["sales"] == len((files / "holdout.csv").read_text().splitlines()) - 1
    text = run("evaluate", files / "holdout.csv", "--store", tmp_path).stdout
    assert f"{said['overall']['median_ratio']['value']:.3f}" in text


def test_evaluate_warns_of_sales_the_bundle_may_have_seen(files: Path, tmp_path: Path) -> None:
    forced(files, tmp_path)
    found = run("evaluate", files / "evidence.csv", "--store", tmp_path, "--json")
    assert found.exit_code == 0
    assert "flatter" in found.stderr
    assert "not of kind sale" in found.stderr
    json.loads(found.stdout)


def test_evaluate_without_sales_or_bundle(files: Path, tmp_path: Path) -> None:
    assert run("evaluate", files / "holdout.csv", "--store", tmp_path).exit_code == 1
    forced(files, tmp_path / "store")
    header = (files / "holdout.csv").read_text().splitlines()[0]
    (tmp_path / "none.csv").write_text(header + "\n")
    found = run("evaluate", tmp_path / "none.csv", "--store", tmp_path / "store")
    assert found.exit_code == 1
    assert "kind sale" in found.stderr


def test_backtest(files: Path) -> None:
    args = ("backtest", files / "evidence.csv", "--catalogue", files / "catalogue.toml", "--jobs", "1")
    found = run(*args, "--json")
    assert found.exit_code == 0, found.stderr
    said = json.loads(found.stdout)
    assert len(said["quarters"]) == 12
    text = run(*args, "--years", "1").stdout
    assert text.count("from 20") == 4


def test_wrong_files_are_one_line(files: Path, tmp_path: Path) -> None:
    assert (
        run(
            "fit", tmp_path / "no.csv", "--catalogue", files / "catalogue.toml", "--store", tmp_path
        ).exit_code
        == 2
    )
    (tmp_path / "bad.toml").write_text("[[model]]\nmaker = 1\n")
    (tmp_path / "latin.toml").write_bytes(b"# caf\xe9\n")
    (tmp_path / "empty.csv").write_text("")
    cases = [(files / "evidence.csv", "bad.toml"), (files / "evidence.csv", "latin.toml")]
    for evidence, catalogue in [*cases, (tmp_path / "empty.csv", files / "catalogue.toml")]:
        found = run("fit", evidence, "--catalogue", tmp_path / catalogue, "--store", tmp_path)
        assert found.exit_code == 1
        assert found.stdout == ""
        assert len(found.stderr.strip().splitlines()) == 1
        assert "Traceback" not in found.stderr


def test_evidence_without_a_sale_is_too_little(files: Path, tmp_path: Path) -> None:
    head, *lines = (files / "evidence.csv").read_text().splitlines()
    askings = [line for line in lines if ",asking," in line]
    assert len(askings) > 12
    (tmp_path / "few.csv").write_text("\n".join([head, *askings[:12]]) + "\n")
    found = run(
        "fit", tmp_path / "few.csv", "--catalogue", files / "catalogue.toml", "--store", tmp_path / "s"
    )
    assert found.exit_code == 1
    assert "too few" in found.stderr
    assert "at least 1" in found.stderr
