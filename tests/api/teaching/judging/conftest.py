"""A service with people of an invented hire company, examples, labels and truths as the labelling desk leaves them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from wearvision.parts import PARTS
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller, Role
from wearvision_api.house import House
from wearvision_api.services import photos
from wearvision_api.store.tables import Account, now
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow, Permission

GOOD, CLEAN, BAD = "serviceable", "clean-and-reuse", "replace"
VIEWS = {key: spec.views[0] for key, spec in PARTS.items()}


def picture(seed: int, size: int = 96) -> bytes:
    """A small PNG of noise; another seed, other bytes."""
    import io

    pixels = np.random.default_rng(seed).integers(0, 256, (size, size, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def label(part: str, grade: str | None, **more: Any) -> dict[str, Any]:
    """A label's body with what matters here."""
    return {"part": part, "view": VIEWS.get(part), "fit": True, "faults": [], "grade": grade, "modes": {}} | more


def truth(part: str, grade: str | None, rank: str = "agreed", **more: Any) -> dict[str, Any]:
    """A settled truth with what matters here."""
    grades = [grade] if grade else []
    known = {"part": part, "view": VIEWS.get(part), "fit": True, "faults": [], "grade": grade, "rank": rank}
    return known | {"acceptable_grades": grades, "bounds": {}, "at_least": None} | more


@dataclass
class Site:
    """A running house and what the tests put into it."""

    house: House
    http: TestClient
    count: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def person(self, name: str, role: Role = "trainer") -> Caller:
        """Somebody with an account."""
        with self.house.session() as session:
            row = Account(name=name, role=role)
            session.add(row)
            session.commit()
            return Caller(row.id, name, role)

    @property
    def local(self) -> Caller:
        """Who asks where no log-in is needed."""
        with self.house.session(writes=False) as session:
            return Caller(LOCAL_ID, session.get_one(Account, LOCAL_ID).name, "administrator")

    def example(self, data: bytes | None = None, *, group: str = "", **more: Any) -> str:
        """The id of a permitted example; its photo is noise unless bytes are given."""
        number = next(self.count)
        with self.house.session() as session:
            photo = photos.take(self.house, session, self.local, data or picture(number), "as-removed")
            session.add(Permission(photo_id=photo.id, given_by=LOCAL_ID, basis="own machine"))
            row = ExampleRow(
                owner_id=LOCAL_ID,
                photo_id=photo.id,
                sha256=photo.sha256,
                source="folder",
                source_id=None,
                machine=f"KH-{number}",
                capture=f"visit {number}",
                group=group or f"group {number}",
                split="train",
                opinion=None,
                teaches={},
                **{"state": "waiting", "truth": None, "settled_at": None} | more,
            )
            session.add(row)
            session.commit()
            return row.id

    def settled(self, said: dict[str, Any], data: bytes | None = None, **more: Any) -> str:
        """The id of an example whose truth is settled."""
        return self.example(data, state="settled", truth=said, settled_at=now() - timedelta(hours=1), **more)

    def label(self, example: str, who: Caller, body: dict[str, Any], turn: int = 1, **more: Any) -> str:
        """The id of a label."""
        with self.house.session() as session:
            row = LabelRow(example_id=example, owner_id=who.id, turn=turn, body=body, measured={}, seconds=12.0, **more)
            session.add(row)
            session.commit()
            return row.id


@pytest.fixture
def site(client: TestClient) -> Site:
    return Site(client.app.state.house, client)  # type: ignore[attr-defined]


@pytest.fixture(scope="session")
def sample_bytes(samples: Path) -> dict[str, bytes]:
    """Sample photos by name."""
    return {path.name: path.read_bytes() for path in sorted(samples.glob("*.jpg"))}
