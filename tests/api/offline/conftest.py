"""A served process and the browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Playwright, sync_playwright

from .served import Phone, Served


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    """Not kept for other modules: while it runs, its event loop counts as theirs, too."""
    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    one = Served(tmp_path_factory.mktemp("served"))
    yield one
    one.stop()


@pytest.fixture
def served(service: Served) -> Served:
    """Running; its rows are counted from here on."""
    service.begin()
    return service


@pytest.fixture
def phone(playwright: Playwright, served: Served, tmp_path: Path) -> Iterator[Phone]:
    one = Phone(playwright, served, tmp_path / "profile")
    yield one
    one.close()


@pytest.fixture
def phone_by(playwright: Playwright, served: Served, tmp_path: Path) -> Iterator[Callable[[int], Phone]]:
    """A phone whose link leads over another port."""
    made: list[Phone] = []

    def make(port: int) -> Phone:
        made.append(Phone(playwright, served, tmp_path / "profile", port))
        return made[-1]

    yield make
    for one in made:
        one.close()
