"""Options and printing of the fault harness; see ``python -m pytest -m slow -s tests/faults``."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from ..api.database_server import Server, running_server
from . import counts
from .keeper import Keeper

SAMPLES = Path(__file__).parents[2] / "sample_images"


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("faults")
    group.addoption("--kills", type=int, default=0, help="Kills in all; 0: as many as each test does by itself.")
    group.addoption("--seconds", type=float, default=2.0, help="Longest traffic between two kills.")


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    if counts.ROWS and config.getoption("capture") == "no":
        terminalreporter.write_line("\n" + counts.table(counts.ROWS))


@pytest.fixture(scope="session")
def small() -> bytes:
    """A photo that is quick to grade, so that many fit into a test."""
    sample = next(path for path in sorted(SAMPLES.glob("*.jpg")) if "flame_cell" in path.name)
    out = io.BytesIO()
    with Image.open(sample) as image:
        image.resize((400, 400)).save(out, "JPEG", quality=80)
    return out.getvalue()


@pytest.fixture(scope="session")
def keeper() -> Iterator[Keeper]:
    """What keeps services running."""
    found = Keeper()
    yield found
    found.close()


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """A PostgreSQL server that tests share."""
    yield from running_server()
