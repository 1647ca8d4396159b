from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image


@pytest.fixture(scope="session")
def small(sample: Path) -> bytes:
    """A photo that is quick to grade, so that many fit into a test."""
    out = io.BytesIO()
    with Image.open(sample) as image:
        image.resize((400, 400)).save(out, "JPEG", quality=80)
    return out.getvalue()
