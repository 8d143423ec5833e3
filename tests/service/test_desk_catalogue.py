"""The catalogue at the desk: added to, corrected, taken out and undone, up to the fit that serves it."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from apps import caller_of, parts
from click.testing import CliRunner
from desks import Read, Somebody, somebody
from fakes import CATALOGUE, FakePriceModel, read_fake
from flask import Flask
from sqlalchemy import delete

from service.db.engine import writing
from service.db.tables import CATALOGUE_ENTRIES
from training import release
from training.cli import main

DAL, FJELL = "/desk/catalogue/Ostvik/Dal", "/desk/catalogue/Ostvik/Fjell 2"
VIK = {"maker": "Ostvik", "name": "Vik 7", "first_year": "1966", "last_year": "1968"}


@pytest.fixture
def ann(signed_in: Somebody) -> Somebody:
    with writing(parts(signed_in.app).engine) as connection:
        connection.execute(delete(CATALOGUE_ENTRIES))
    return signed_in


def typed(page: str) -> dict[str, str]:
    """The fields that the form of this page would send."""
    read = Read(page)
    found = {str(one["name"]): one.get("value") or "" for one in read.all("input") if one.get("name")}
    named: str | None = None
    for tag, one in read.elements:
        named = one.get("name") if tag == "select" else named
        if tag == "option" and "selected" in one and named:
            found[named] = one.get("value") or ""
    return found


def send(ann: Somebody, path: str, do: str = "save", **changes: str) -> Any:
    """Change the form of a page, and press one of its buttons."""
    form = {**typed(ann.get(path).text), "do": do}
    return ann.client.post(
        path, data=form | {name.replace("__", "."): text for name, text in changes.items()}
    )


def draft_of(ann: Somebody, name: str) -> dict[str, Any]:
    found = caller_of(ann.app, "requests").get(f"/v1/catalogue/draft/makers/Ostvik/models/{name}")
    return dict(found.json)


def test_a_form_that_is_saved_as_it_is_changes_nothing(ann: Somebody) -> None:
    for model in CATALOGUE.models:
        assert send(ann, f"/desk/catalogue/{model.maker}/{model.name}").status_code == 303
    found = caller_of(ann.app, "admin").get("/v1/catalogue/draft").json
    assert found["differing"] == 0
    assert "Nothing differs from it." in Read(ann.get("/desk/catalogue").text).text


def test_rows_are_added_corrected_and_emptied_without_script(ann: Somebody) -> None:
    page = Read(ann.get(FJELL).text).text
    assert "changes no value yet" in page
    edition = draft_of(ann, "Fjell 2")["entry"]["edition"]
    first_blank = len(edition)
    more = send(ann, FJELL, "more", last_year="1971")
    assert more.status_code == 200
    asked, before = typed(more.text), typed(ann.get(FJELL).text)
    assert len([n for n in asked if n.endswith(".note")]) > len([n for n in before if n.endswith(".note")])
    assert asked["last_year"] == "1971" and draft_of(ann, "Fjell 2")["status"] == "same"
    new = {f"edition__{first_blank + 1}__name": "Vinter", f"edition__{first_blank + 1}__numbered": "true"}
    made = send(ann, FJELL, **new, finish__0__name="", finish__0__share="", watchpoint__0__note="Look twice.")
    assert made.status_code == 303, Read(made.text).text
    entry, served = (draft_of(ann, "Fjell 2")[name] for name in ("entry", "served"))
    assert entry["edition"] == [*edition, {"name": "Vinter", "numbered": True}]
    assert entry["finish"] == served["finish"][1:] and entry["watchpoint"][0]["note"] == "Look twice."
    assert "differs" in Read(ann.get("/desk/catalogue").text).text
    assert send(ann, FJELL, "undo").status_code == 303
    assert draft_of(ann, "Fjell 2")["status"] == "same"


def test_a_model_is_added_and_one_taken_out(ann: Somebody) -> None:
    made = send(ann, "/desk/new-model", **VIK, figured_top="false", watchpoint__1__part="nut")
    assert made.status_code == 422  # a part without a note
    (wrong,) = [one["name"] for one in Read(made.text).all("input") if one.get("aria-invalid")]
    assert wrong == "watchpoint.0.note"  # blank rows are moved to the end
    assert typed(made.text)["name"] == "Vik 7"
    assert send(ann, "/desk/new-model", **VIK, figured_top="false").status_code == 303
    entry = {**VIK, "first_year": 1966, "last_year": 1968, "figured_top": False}
    assert draft_of(ann, "Vik 7")["entry"] == entry
    again = send(ann, "/desk/new-model", **{**VIK, "name": "VIK  7"})
    assert again.status_code == 422 and "is in the catalogue already" in Read(again.text).text
    assert send(ann, DAL, "remove").status_code == 303
    page = Read(ann.get("/desk/catalogue").text).text
    assert "Vik 7 new" in page and "Dal to be taken out" in page
    file = tomllib.loads(ann.get("/desk/catalogue.toml").text)
    names = [one["name"] for one in file["model"]]
    assert "Vik 7" in names and "Dal" not in names
    gone = send(ann, "/desk/catalogue/Ostvik/Vik 7", "remove")
    assert gone.headers["Location"] == "/desk/catalogue"


def test_what_is_no_number_is_said_at_its_field(ann: Somebody) -> None:
    made = send(ann, FJELL, first_year="19x", finish__0__share="much")
    wrong = {one["name"] for one in Read(made.text).all("input") if one.get("aria-invalid")}
    assert made.status_code == 422 and wrong == {"first_year", "finish.0.share"}
    assert typed(made.text)["finish.0.share"] == "much"


def test_a_stale_form_keeps_what_was_typed_and_changes_nothing(ann: Somebody) -> None:
    tab = {**typed(ann.get(FJELL).text), "do": "save"}
    assert send(ann, FJELL, last_year="1971").status_code == 303
    late = ann.client.post(FJELL, data={**tab, "last_year": "1972"})
    assert late.status_code == 412 and typed(late.text)["last_year"] == "1972"
    assert draft_of(ann, "Fjell 2")["entry"]["last_year"] == 1971
    again = {**typed(late.text), "do": "save"}
    assert ann.client.post(FJELL, data=again).status_code == 303
    assert draft_of(ann, "Fjell 2")["entry"]["last_year"] == 1972


# ── from the desk to what is served ──────────────────────────────────────────


@pytest.fixture
def bo(own_app: Flask) -> Somebody:
    found = somebody(own_app, "Bo")
    assert found.sign_in().status_code == 303
    return found


def test_a_correction_goes_by_the_file_through_a_fit_to_what_is_served(
    bo: Somebody, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fit's arithmetic is the fake's; all that carries the catalogue is the command's own."""
    monkeypatch.setattr(
        release, "fit_anew", lambda *rest, **more: SimpleNamespace(model=FakePriceModel(), report={})
    )
    monkeypatch.setattr("models.bundles.bundle._reader", lambda: read_fake)
    assert send(bo, FJELL, watchpoint__0__note="Look twice.").status_code == 303
    assert send(bo, "/desk/new-model", **VIK).status_code == 303
    dealer = caller_of(bo.app, "valuations", "admin")
    vik = {"instrument": {"maker": "Ostvik", "model": "Vik 7"}, "date": "2026-01-02"}
    assert dealer.post("/v1/valuations", vik).status_code == 422
    (tmp_path / "catalogue.toml").write_bytes(bo.get("/desk/catalogue.toml").data)
    with (tmp_path / "sales.csv").open("w", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow(["id", "kind", "date", "price", "currency", "channel", "maker", "model"])
        rows.writerow(["A", "sale", "2025-06-01", "900", "USD", "dealer", "Ostvik", "Vik 7"])
    store = str(parts(bo.app).settings.store)
    asked = ["fit", str(tmp_path / "sales.csv"), "--catalogue", str(tmp_path / "catalogue.toml")]
    found = CliRunner().invoke(main, [*asked, "--store", store, "--jobs", "1"])
    assert found.exit_code == 0, found.output
    promoted = {"why": "the catalogue was corrected", "force": True, "who": "Bo"}
    version = found.stdout.strip()
    assert dealer.post(f"/v1/price-models/{version}/promote", promoted).status_code == 200
    served = dealer.get("/v1/catalogue/makers/Ostvik/models/Fjell 2/watchpoints").json["watchpoints"]
    assert served[0]["note"] == "Look twice."
    assert dealer.post("/v1/valuations", vik).status_code == 201
    draft = dealer.get("/v1/catalogue/draft").json
    assert (draft["model_version"], draft["differing"]) == (version, 0)
