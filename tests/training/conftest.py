"""One demo market for all tests of this room that judge models."""

import pytest

from training.demo.market import Market, make_market


@pytest.fixture(scope="session")
def small_market() -> Market:
    return make_market(3, 600, "house")
