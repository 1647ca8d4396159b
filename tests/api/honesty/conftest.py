"""Claims with photos, on real tables and real bytes, without the rest of a service."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from wearvision_api import honesty
from wearvision_api.honesty import Suspicion
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.return_tables import ReturnPhoto, ReturnRow
from wearvision_api.store.tables import Account, PhotoRow

RETURNED = date(2026, 3, 10)


def drawn(seed: int, size: tuple[int, int] = (360, 480)) -> np.ndarray:
    """A made-up scene with plenty of detail: dull blobs of all sizes on a soft ground, RGB."""
    rng = np.random.default_rng(seed)
    height, width = size
    ground = cv2.resize(
        rng.uniform(60, 190, (5, 6, 1)) + rng.uniform(-10, 10, (5, 6, 3)).astype(np.float32),
        (width, height),
        interpolation=cv2.INTER_CUBIC,
    )
    picture = np.clip(ground, 0, 255).astype(np.uint8)
    for _ in range(120):
        at = int(rng.integers(width)), int(rng.integers(height))
        axes = int(rng.integers(3, 28)), int(rng.integers(3, 28))
        colour = [int(v) for v in rng.integers(35, 220) + rng.integers(-15, 16, 3)]  # dull, as workshops are
        cv2.ellipse(picture, at, axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA)
    return picture


def saved(picture: np.ndarray, quality: int = 92, exif: dict[int, Any] | None = None) -> bytes:
    """As JPEG, with capture data where given (tag to value; those of the camera's own part too)."""
    out = io.BytesIO()
    tags = Image.Exif()
    for tag, value in (exif or {}).items():
        (tags.get_ifd(0x8769) if tag >= 0x9000 else tags)[tag] = value
    Image.fromarray(picture).save(out, "JPEG", quality=quality, exif=tags)
    return out.getvalue()


@dataclass
class Desk:
    """What ``honesty`` needs of a service, and quick ways to fill it."""

    engine: Engine
    blobs: Blobs
    session: Session
    count: int = field(default=0)

    def claim(self, **said: Any) -> ReturnRow:
        self.count += 1
        row = ReturnRow(
            **{
                "part": "flame_cell",
                "returned_on": RETURNED,
                "number": f"26-{self.count:05}-00",
                "owner_id": "a",
                **said,
            }
        )
        self.session.add(row)
        self.session.flush()
        return row

    def put(self, claim: ReturnRow, data: bytes, view: str = "face", **said: Any) -> ReturnPhoto:
        """A photo of a claim, with the claim's tag in it unless said otherwise; not in the index yet."""
        self.blobs.put(data)
        name = hashlib.sha256(data).hexdigest()
        kept = PhotoRow(
            owner_id="a", sha256=name, media_type="image/jpeg", bytes=len(data), width=1, height=1, purpose="other"
        )
        self.session.add(kept)
        self.session.flush()
        tag = {"number": claim.number, "others": []}
        row = ReturnPhoto(
            **{"return_id": claim.id, "photo_id": kept.id, "sha256": name, "view": view, "tag": tag, "owner_id": "a"}
            | said
        )
        self.session.add(row)
        self.session.flush()
        return row

    def add(self, claim: ReturnRow, data: bytes, view: str = "face", **said: Any) -> ReturnPhoto:
        """A photo of a claim, put into the index."""
        row = self.put(claim, data, view, **said)
        honesty.remember(self, self.session, row)
        return row

    def look(self, claim: ReturnRow, row: ReturnPhoto) -> list[Suspicion]:
        return honesty.look(self, self.session, claim, row)

    def likeness(self, claim: ReturnRow, row: ReturnPhoto) -> list[Suspicion]:
        """Only those of the picture."""
        return [one for one in self.look(claim, row) if one.kind in ("same photo", "nearly the same photo")]


@pytest.fixture
def desk(settings: Settings) -> Iterator[Desk]:
    engine = open_engine(settings.database_url)
    migrate(engine)
    blobs = Blobs(settings.blob_url)
    blobs.check()
    with Session(engine) as session:
        session.add(Account(id="a", name="Somebody", role="counter"))
        session.flush()
        yield Desk(engine, blobs, session)
    engine.dispose()


@pytest.fixture(scope="session")
def scene() -> Callable[[int], np.ndarray]:
    return drawn
