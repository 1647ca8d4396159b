"""A real service in a folder of its own: real database file, real photos, the released model."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data=tmp_path / "data", workers=1, waiting=4)


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture(scope="session")
def samples() -> Path:
    return SAMPLES


@pytest.fixture(scope="session")
def sample(samples: Path) -> Path:
    """A flame cell whose window is clouded."""
    return next(path for path in sorted(samples.glob("*.jpg")) if "flame_cell" in path.name)
