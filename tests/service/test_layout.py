"""The folders of the service stay small enough to be seen at once, and every noun looks alike."""

from __future__ import annotations

from pathlib import Path

SERVICE = Path(__file__).parents[2] / "service"
MOST = 12


def test_no_folder_holds_more_modules_than_can_be_seen_at_once() -> None:
    folders = [SERVICE, *(path for path in SERVICE.rglob("*") if path.is_dir())]
    counts = {path.relative_to(SERVICE).as_posix(): len(list(path.glob("*.py"))) for path in folders}
    assert counts["http"] > 5, "the folders were not found"
    assert {name: count for name, count in counts.items() if count > MOST} == {}


def test_a_noun_that_answers_has_its_services_beside_its_routes() -> None:
    nouns = [path.parent for path in SERVICE.glob("api/*/routes.py")]
    assert len(nouns) > 8, "the nouns were not found"
    assert [noun.name for noun in nouns if not (noun / "services.py").is_file()] == []
