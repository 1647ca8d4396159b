"""A company's photos that may teach, and who labels them; real database, invented grades, small pictures."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from PIL import Image

from wearvision.grade import Grader
from wearvision_api.accounts.roles import Caller, Role
from wearvision_api.house import House
from wearvision_api.record import ledger
from wearvision_api.record.verify import verify
from wearvision_api.services import photos
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account, GradePhoto, GradeRow, Inspection, Machine, new_id
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching import current, examples, labelling, permission

from ...at_once import together

PEOPLE: dict[str, Role] = {
    "ada": "trainer",
    "ben": "trainer",
    "cleo": "trainer",
    "yard": "administrator",
    "van": "technician",
    "van-2": "technician",
    "desk": "counter",
}
CLOUDED: dict[str, Any] = {"part": "flame_cell", "view": "face", "grade": "replace", "modes": {"clouding": "replace"}}
CLEAR: dict[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "grade": "serviceable",
    "modes": {"film": "absent", "clouding": "absent", "crack": "absent", "scorch": "absent", "housing": "absent"},
}
FILMED = CLEAR | {"grade": "clean-and-reuse", "modes": CLEAR["modes"] | {"film": "clean-and-reuse"}}


def report_of(sha256: str, grade: str = "serviceable", **changed: Any) -> dict[str, Any]:
    """A report as the library gives it, as far as teaching reads it: a sure one of a cell."""
    lines = [("film_loss", "film"), ("haze", "clouding"), ("crack_ratio", "crack")]
    lines += [("scorch_ratio", "scorch"), ("rim_deviation", "housing")]
    worn = 0.5 if grade == "replace" else 0.0
    return {
        "photo": "cell.png",
        "sha256": sha256,
        "usable": True,
        "faults": [],
        "part": {"name": "flame_cell", "probability": 0.999, "view": "face"},
        "refusal": None,
        "grade": grade,
        "possible_grades": [grade],
        "probabilities": {grade: 1.0},
        "standing": "photo only",
        "not_seen": [],
        "views_missing": [],
        "measures": [
            {
                "name": name,
                "mode": mode,
                "value": worn if mode == "clouding" else 0.0,
                "low": 0.0,
                "high": worn + 0.02,
                "unit": "1",
                "grade": grade if mode == "clouding" else "serviceable",
                "agree": True,
            }
            for name, mode in lines
        ],
        "settings": [],
        "checks": [],
        "causes": [],
        "model": {"id": "invented", "sha256": "0" * 64, "calibrated_on": "rendered", "rate": 0.95},
        "limits": {"id": "standard", "sha256": "0" * 64},
        "milliseconds": {},
        "inputs": [{"energy": 60.0, "none": 0.0}],
    } | changed


@dataclass
class Bench:
    """A running service, its people, and short ways to what the tests need."""

    house: House
    people: dict[str, Caller]
    count: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __getitem__(self, name: str) -> Caller:
        return self.people[name]

    def act(self, what: Callable[..., Any]) -> Any:
        """Does something in a transaction, and commits."""
        with self.house.session() as session:
            done = what(session)
            session.commit()
            return done

    def see(self, what: Callable[..., Any]) -> Any:
        """Reads something."""
        with self.house.session(writes=False) as session:
            return what(session)

    def picture(self) -> bytes:
        """A small photo that there was none of before."""
        with self.lock:
            self.count += 1
            count = self.count
        image = np.full((96, 96, 3), 90, np.uint8)
        image[0, :4] = [[count % 256, count // 256 % 256, 0]] * 4
        out = io.BytesIO()
        Image.fromarray(image).save(out, "PNG")
        return out.getvalue()

    def photo(self, owner: str = "van", data: bytes | None = None) -> str:
        """The id of a photo."""
        stored = photos.store(self.house, data or self.picture())
        return str(self.act(lambda s: photos.record(s, self[owner], stored, "as-removed").id))

    def grade(
        self,
        owner: str = "van",
        *,
        of: list[str] | None = None,
        visit: str | None = None,
        grade: str = "serviceable",
        **changed: Any,
    ) -> str:
        """The id of a grade made of photos, a new one if none are named."""
        ids = of or [self.photo(owner)]

        def make(session: Any) -> str:
            rows = [photos.find(session, self["yard"], one) for one in ids]
            sha256 = rows[0].sha256 if len(rows) == 1 else "f" * 64
            row = GradeRow(
                id=new_id(),
                owner_id=self[owner].id,
                inspection_id=visit,
                part="flame_cell",
                grade=grade,
                report=report_of(sha256, grade, **changed),
                pictures=[],
            )
            session.add(row)
            session.flush()
            session.add_all(GradePhoto(grade_id=row.id, place=n, photo_id=one.id) for n, one in enumerate(rows))
            return row.id

        return str(self.act(make))

    def visit(self, machine: str) -> str:
        """The id of an inspection of a machine."""

        def make(session: Any) -> str:
            row = session.query(Machine).filter_by(identifier=machine).one_or_none()
            if row is None:
                row = Machine(
                    id=new_id(),
                    owner_id=self["van"].id,
                    identifier=machine,
                    interval_hours=500,
                    interval_days=365,
                    references=[],
                    meter=[],
                )
                session.add(row)
                session.flush()
            made = Inspection(id=new_id(), owner_id=self["van"].id, machine_id=row.id)
            session.add(made)
            session.flush()
            return made.id

        return str(self.act(make))

    def permit(self, grade: str, who: str = "van") -> permission.Permitted:
        """Lets the photos of a grade teach."""

        def make(session: Any) -> permission.Permitted:
            ids = permission.photos_of_grade(self[who], session.get(GradeRow, grade))
            return permission.permit(self.house, session, self[who], ids, "own part")

        return self.act(make)  # type: ignore[no-any-return]

    def example(self, split: str = "train", draws_second: bool | None = False, **graded: Any) -> str:
        """The id of an example of a split; for training, one of which a second label is wanted or not."""
        for _ in range(400):
            found = self.permit(self.grade(**graded)).examples[0]
            row = self.row(found)
            if row.split == split and (split != "train" or draws_second in (None, self._draws_second(found))):
                return found
            self.act(lambda s, found=found: examples.leave_out(s, self["ada"], examples.find(s, found), "Not now."))
        raise AssertionError("no example of that split came")

    def _draws_second(self, example: str) -> bool:
        import hashlib

        drawn = int.from_bytes(hashlib.sha256(f"second {example}".encode()).digest()[:8], "big")
        return drawn < 2**62  # a quarter, as the setting says

    def row(self, example: str) -> ExampleRow:
        """An example as it stands."""

        def read(session: Any) -> ExampleRow:
            row = examples.find(session, example)
            _ = row.photo, list(row.labels)
            return row

        return self.see(read)  # type: ignore[no-any-return]

    def label(self, who: str, example: str, body: dict[str, Any], seconds: float | None = 9.5) -> str:
        """The id of a label that somebody gives."""

        def make(session: Any) -> str:
            row = examples.find(session, example)
            return labelling.save_label(self.house, session, self[who], row, body, seconds).id

        return str(self.act(make))

    def take_back(self, who: str, example: str) -> str:
        """The id of the label that somebody takes back."""
        return str(
            self.act(
                lambda s: labelling.take_back(self.house, s, self[who], examples.find(s, example, to_change=True)).id
            )
        )

    def told(self, kind: str = "example") -> list[str]:
        """What the record tells of a kind, in order; the record must be whole."""

        def read(session: Any) -> list[str]:
            assert verify(ledger.lines(session)).broken is None
            return [row.what for row in ledger.about(session, limit=100_000) if row.kind == kind]

        return self.see(read)  # type: ignore[no-any-return]


@pytest.fixture
def at_once() -> Callable[..., list[Any]]:
    """Does several things at the same time."""
    return together


@pytest.fixture
def bench(settings: Settings, grader: Grader, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """The network is loaded once for all of these tests."""
    monkeypatch.setattr(current, "Grader", lambda *_: grader)
    house = House.open(settings)
    with house.session() as session:
        rows = {name: Account(name=name, role=role) for name, role in PEOPLE.items()}
        session.add_all(rows.values())
        session.commit()
        people = {name: Caller(row.id, name, PEOPLE[name]) for name, row in rows.items()}
    try:
        yield Bench(house, people)
    finally:
        house.close()
