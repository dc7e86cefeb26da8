from __future__ import annotations

import pytest
from drawn import drawn_view

from simulate.results.view import View


@pytest.fixture
def view() -> View:
    return drawn_view()


@pytest.fixture
def star_view() -> View:
    return drawn_view("star", site=None)
