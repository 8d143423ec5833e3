"""Every noun of the service looks alike."""

from __future__ import annotations

from pathlib import Path

SERVICE = Path(__file__).parents[2] / "service"


def test_a_noun_that_answers_has_its_services_beside_its_routes() -> None:
    nouns = [path.parent for path in SERVICE.glob("api/*/routes.py")]
    assert len(nouns) > 8, "the nouns were not found"
    assert [noun.name for noun in nouns if not (noun / "services.py").is_file()] == []
