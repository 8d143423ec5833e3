"""What the tests of this room share: one demo market to judge models on, and a reader of evidence files."""

from pathlib import Path

import pytest
from evidence_files import Read, reader

from training.demo.market import Market, make_market


@pytest.fixture(scope="session")
def small_market() -> Market:
    return make_market(3, 600, "house")


@pytest.fixture
def read(tmp_path: Path) -> Read:
    return reader(tmp_path / "evidence.csv")
