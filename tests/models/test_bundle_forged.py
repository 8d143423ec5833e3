"""A bundle whose numbers or shapes are wrong is refused before it values anything, and shown as damaged."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from fakes import read_fake, write_fake
from forged import Change, forged

from models.bundles import bundle as bundle_module
from models.bundles.bundle import read_bundle
from models.bundles.registry import Registry
from models.bundles.trial import check_values
from models.cli import main
from models.errors import BundleDamagedError

NAN, INF = float("nan"), float("inf")


@pytest.fixture
def store(demo_store: Path, tmp_path: Path) -> Path:
    """A copy of the demo store, to be written to."""
    return Path(shutil.copytree(demo_store, tmp_path / "store"))


def put(name: str, at: Any, value: float) -> Change:
    def change(arrays: Any) -> None:
        arrays[name] = arrays[name].copy()
        arrays[name][at] = value

    return change


def cut(name: str) -> Change:
    return lambda arrays: arrays.update({name: arrays[name][:-1]})


def within(*path: Any, value: Any) -> Change:
    def change(state: Any) -> None:
        for name in path[:-1]:
            state = state[name]
        state[path[-1]] = value

    return change


def basis(key: str, change: Change) -> Change:
    """Change the first basis that has such a member."""
    return lambda state: change(next(b for block in state["blocks"] for b in block["bases"] if key in b))


CORE, JSON, MODEL, RATES, EVIDENCE = "core.npz", "core.json", "model.json", "rates.npz", "evidence.npz"
REFUSED: list[tuple[str, Change]] = [
    (CORE, put("theta", 3, NAN)),
    (CORE, put("theta", 3, INF)),
    (CORE, put("sd", 0, NAN)),
    (CORE, put("directions", (5, 5), -INF)),
    (CORE, put("shape", -1, NAN)),
    (CORE, put("shape", 0, 9.0)),  # no longer in order
    (CORE, cut("theta")),
    (CORE, cut("sd")),
    (CORE, cut("directions")),
    (CORE, within("shape", value=np.zeros(0))),
    (CORE, within("shape", value=np.zeros((2, 2)))),
    (CORE, within("theta", value=np.array(["x"] * 4))),
    (JSON, within("intercept", value=NAN)),
    (JSON, within("cap", value=-INF)),
    (JSON, within("spread", "noise", "center", value=NAN)),
    (JSON, within("spread", "posterior", value=INF)),
    (JSON, within("missing_losses", "mean", value=[0.0])),
    (JSON, within("missing_losses", "weights", 0, value=[0.0])),
    (JSON, within("missing_losses", "losses", 0, value=[NAN])),
    (JSON, basis("knots", lambda one: one["knots"].reverse())),
    (JSON, basis("knots", lambda one: one.update(knots=[1.0]))),
    (JSON, basis("loadings", lambda one: one["loadings"].pop())),
    (MODEL, lambda state: next(iter(state["typical"].values())).update(weight_kg=NAN)),
    (MODEL, within("typical", value=[])),
    (RATES, put("usd", (0, -1), INF)),
    (RATES, put("usd", (0, -1), -1.0)),
    (RATES, cut("usd")),
    (RATES, put("days", 0, 10**6)),
    (EVIDENCE, put("maker.codes", 0, 255)),
    (EVIDENCE, cut("price.codes")),
    (EVIDENCE, within("day.codes", value=np.zeros(3))),
]


@pytest.mark.parametrize(("file", "change"), REFUSED)
def test_numbers_that_are_not_finite_and_wrong_shapes_are_refused_on_reading(
    store: Path, file: str, change: Change
) -> None:
    version = forged(store, Registry(store).current().version, file, change)
    with pytest.raises(BundleDamagedError, match=version):
        read_bundle(store / "bundles" / version)


def test_what_is_whole_is_read_and_passes_its_trial(store: Path) -> None:
    version = forged(store, Registry(store).current().version, JSON, lambda state: None)
    found = read_bundle(store / "bundles" / version)
    check_values(found)
    assert found.version == version


# ── the trial ────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("file", "change"),
    [
        (MODEL, lambda state: state["typical"].pop(next(iter(state["typical"])))),
        (MODEL, lambda state: next(iter(state["typical"].values())).update(year="young")),
        (JSON, within("intercept", value=1e308)),
        (JSON, within("intercept", value="8")),
        (JSON, within("spread", "noise", "intercept", value=2000.0)),
    ],
)
def test_a_bundle_that_cannot_value_one_of_its_models_is_not_promoted(
    store: Path, file: str, change: Change
) -> None:
    before = Registry(store).current()
    version = forged(store, before.version, file, change)
    (store / "CURRENT").unlink()
    said = ["promote", version, "--store", str(store), "--who", "Ann", "--why", "good"]
    done = CliRunner().invoke(main, said)
    assert done.exit_code == 1 and version in done.stderr and "value" in done.stderr
    assert not (store / "CURRENT").exists()


@pytest.mark.parametrize("base", [NAN, INF, 5000.0])
def test_a_value_that_is_no_number_is_no_value(tmp_path: Path, base: float) -> None:
    version = write_fake(tmp_path, base)
    with pytest.raises(BundleDamagedError, match="value"):
        check_values(read_bundle(tmp_path / "bundles" / version, read_model=read_fake))


# ── the manifest ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (within("about", value=None), "about"),
        (within("about", value=[]), "about"),
        (within("about", value={"gate": 5}), "about.gate"),
        (within("about", value={"gate": {}}), "checks"),
        (within("about", value={"gate": {"checks": [{"name": "x"}]}}), "passed"),
        (within("about", value={"gate": {"checks": [3]}}), "checks"),
        (within("about", value={"evidence": "all"}), "about.evidence"),
        (within("about", value={"judged": [1]}), "about.judged"),
        (within("files", value=None), "files"),
        (within("files", "fake.json", value="x"), "files.fake.json"),
        (within("files", "fake.json", value={"sha256": 1, "size": 2}), "sha256"),
        (within("model_files", value="fake.json"), "model_files"),
        (within("model_files", value=["other.json"]), "model_files"),
        (within("model_files", value=[{}]), "model_files"),
        (within("created", value=None), "created"),
        (within("created", value="yesterday"), "yesterday"),
        (within("provisional", value="no"), "provisional"),
        (within("features", value=7), "features"),
        (within("about", value={"seed": NAN}), "NaN"),
    ],
)
def test_a_manifest_that_says_what_it_should_not_is_damage(
    tmp_path: Path, change: Change, named: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_module, "_reader", lambda: read_fake)
    good = write_fake(tmp_path)
    version = forged(tmp_path, write_fake(tmp_path, 9.0), "manifest.json", change)
    with pytest.raises(BundleDamagedError, match=r"manifest\.json") as caught:
        Registry(tmp_path).manifest(version)
    assert named in str(caught.value)
    listed = CliRunner().invoke(main, ["list", "--store", str(tmp_path)])
    assert listed.exit_code == 0 and listed.stdout.split() == [good, version, "damaged"]
