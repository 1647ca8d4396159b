"""A service's database with settled examples in it, written down as the labelling desk would leave them."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.splits import group_of, split_of
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account, PhotoRow, now
from wearvision_api.store.teaching_tables import (
    DataSetPhoto,
    DataSetRow,
    ExampleRow,
    LabelRow,
    ModelRow,
    Permission,
)
from wearvision_api.teaching.sets import Choice, freeze

CELL: dict[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "fit": True,
    "grade": "clean-and-reuse",
    "modes": {},
    "marks": {"rim": {"shape": "outline", "points": [[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8]]}},
    "regions": {"scorch": [{"shape": "polygon", "points": [[0.4, 0.4], [0.6, 0.4], [0.6, 0.6]], "erase": False}]},
}
"""A label of a flame-sensing cell with an outline and a region."""


def picture(seed: int, size: int = 96) -> bytes:
    """A small PNG of noise; another seed, other bytes."""
    pixels = np.random.default_rng(seed).integers(0, 256, (size, size, 3), np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG")
    return buffer.getvalue()


@dataclass
class World:
    """A house and what the tests put into it."""

    house: House

    @property
    def who(self) -> Caller:
        with self.house.session(writes=False) as session:
            account = session.scalars(select(Account).where(Account.id == LOCAL_ID)).one()
        return Caller(account.id, account.name, "administrator")

    def photo(self, session: Session, data: bytes) -> PhotoRow:
        with Image.open(io.BytesIO(data)) as image:
            width, height = image.size
        row = PhotoRow(
            owner_id=LOCAL_ID,
            sha256=self.house.blobs.put(data),
            media_type="image/png",
            bytes=len(data),
            width=width,
            height=height,
            purpose="as-removed",
        )
        session.add(row)
        session.flush()
        return row

    def example(
        self, session: Session, data: bytes, *, machine: str = "", capture: str = "", split: str = "", **more: Any
    ) -> ExampleRow:
        """A settled example with one label and permission; ``more`` are columns, ``body`` of the label."""
        photo = self.photo(session, data)
        capture = capture or f"grade {photo.id}"
        group = more.pop("group", group_of(machine, capture))
        body = more.pop("body", CELL)
        truth = {"part": body["part"], "grade": body.get("grade"), "rank": "one", "view": body.get("view"), "fit": True}
        if body.get("grade"):
            truth["acceptable_grades"] = [body["grade"]]
        values = {"state": "settled", "source": "grade", "truth": truth, "settled_at": now(), "teaches": {}} | more
        row = ExampleRow(
            owner_id=LOCAL_ID,
            photo_id=photo.id,
            sha256=photo.sha256,
            machine=machine,
            capture=capture,
            group=group,
            split=split or split_of(group),
            **values,
        )
        session.add(row)
        session.add(Permission(photo_id=photo.id, given_by=LOCAL_ID, basis="own machine"))
        session.flush()
        self.label(session, row, body)
        return row

    def label(self, session: Session, example: ExampleRow, body: dict[str, Any], turn: int = 1) -> LabelRow:
        row = LabelRow(
            owner_id=LOCAL_ID, example_id=example.id, turn=turn, body=body, measured={}, seconds=12.5, created_at=now()
        )
        session.add(row)
        session.flush()
        return row

    def freeze(self, name: str, choose: Choice | None = None) -> DataSetRow:
        with self.house.session() as session:
            row = freeze(self.house, session, self.who, name, "a note", choose or Choice())
            session.commit()
        return row

    def set_of(self, session: Session, name: str, photos: list[PhotoRow]) -> DataSetRow:
        row = DataSetRow(owner_id=LOCAL_ID, name=name, sha256="0" * 64, counts={})
        session.add(row)
        session.flush()
        session.add_all(
            DataSetPhoto(set_id=row.id, photo_id=one.id, sha256=one.sha256, split="train", pieces={}) for one in photos
        )
        return row

    def model(self, session: Session, name: str, base: str, set_id: str | None, **more: Any) -> ModelRow:
        values: dict[str, Any] = {"sha256": "1" * 64, "files": {}, "report": {}, "gate": {}} | more
        row = ModelRow(id=name, owner_id=LOCAL_ID, base=base, set_id=set_id, **values)
        session.add(row)
        session.flush()
        return row


@pytest.fixture
def new_picture() -> Callable[[int], bytes]:
    return picture


@pytest.fixture
def world(settings: Settings) -> Iterator[World]:
    house = House.open(settings)
    yield World(house)
    house.close()
