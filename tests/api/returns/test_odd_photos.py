"""Odd files put to a return in place of a photo, and hands that are all busy: a clear answer, and nothing by half.

Checked against the records and the photo store themselves.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bs4 import BeautifulSoup
from fastapi.testclient import TestClient
from PIL import Image
from sqlalchemy import func, select

from wearvision_api.problems import Problem
from wearvision_api.services import grading
from wearvision_api.store.honesty_tables import Likeness
from wearvision_api.store.return_tables import ReturnPhoto
from wearvision_api.store.tables import PhotoRow

END = "coupler-end-replace-1.jpg"


def file_of(image: Image.Image, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **how)
    return out.getvalue()


def lost(samples: Path) -> dict[str, bytes]:
    """Bytes that show no part."""
    return {
        "empty": b"",
        "a text": b"Melted. Burner ran without fuel pressure.\n",
        "one pixel": file_of(Image.new("RGB", (1, 1)), "PNG"),
        "half a photo": (samples / END).read_bytes()[:900],
    }


def readable(samples: Path) -> dict[str, bytes]:
    """Unusual files of a photo that shows the part."""
    with Image.open(samples / END) as photo:
        plain = photo.convert("RGB")
    deep = (np.asarray(plain.convert("L")).astype(np.uint16) << 8) + 7
    return {
        "animated": file_of(plain, "GIF", save_all=True, append_images=[Image.new("RGB", plain.size)]),
        "four inks": file_of(plain.convert("CMYK"), "JPEG", quality=90),
        "16 bits": file_of(Image.fromarray(deep), "PNG"),
        "40 megapixels": file_of(plain.resize((8000, 5000)), "JPEG", quality=60),
    }


@pytest.fixture
def claim(client: TestClient) -> str:
    return str(client.post("/api/v1/returns", json={"part": "coupler"}).json()["id"])


def kept(client: TestClient) -> list[int]:
    house = client.app.state.house  # type: ignore[attr-defined]
    with house.session(writes=False) as session:
        rows = [session.scalar(select(func.count()).select_from(one)) for one in (PhotoRow, ReturnPhoto, Likeness)]
    return [*rows, len(house.blobs.names())]


def put(client: TestClient, claim: str, data: bytes, **fields: str) -> Any:
    return client.post(
        f"/api/v1/returns/{claim}/photos", files={"file": ("p", data)}, data={"view": "end-blower"} | fields
    )


@pytest.mark.parametrize("what", ["empty", "a text", "one pixel", "half a photo"])
def test_what_shows_no_part_is_told_and_leaves_nothing(
    client: TestClient, claim: str, samples: Path, what: str
) -> None:
    data = lost(samples)[what]
    answer = put(client, claim, data)
    assert (answer.status_code, answer.json()["code"]) == (422, "unreadable-photo"), answer.text
    form = client.post(f"/returns/{claim}/photos", files={"file": ("p.jpg", data)}, data={"view": "end-blower"})
    assert form.status_code == 422
    assert "photo" in BeautifulSoup(form.text, "html.parser").get_text()
    assert kept(client) == [0, 0, 0, 0]


@pytest.mark.parametrize("what", ["animated", "four inks", "16 bits", "40 megapixels"])
def test_unusual_files_of_a_photo_are_kept_whole_and_graded(
    client: TestClient, claim: str, samples: Path, what: str
) -> None:
    answer = put(client, claim, readable(samples)[what])
    assert answer.status_code == 201, answer.text
    assert kept(client) == [1, 1, 1, 1]
    graded = client.post(f"/api/v1/returns/{claim}/grade")
    assert graded.status_code == 201, graded.text
    for address in (f"/returns/{claim}", f"/api/v1/returns/{claim}/sheet.pdf"):
        assert client.get(address).status_code == 200


def test_a_bad_file_among_several_stops_all_of_them(client: TestClient, claim: str, samples: Path) -> None:
    """An empty file must not slip through, for the next photo would stand under its view."""
    good = (samples / END).read_bytes()
    for bad in (b"", b"a text"):
        sent = client.post(
            f"/returns/{claim}/photos",
            files=[("file", ("a.jpg", bad)), ("file", ("b.jpg", good))],
            data={"view": ["end-blower", "end-pump"]},
            follow_redirects=False,
        )
        assert sent.status_code == 422, bad
        assert kept(client)[:3] == [0, 0, 0]


@pytest.fixture
def hands(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """All hands are busy until the function is called."""
    real = grading.create

    def busy(*given: Any) -> Any:
        raise Problem("busy", "All hands are busy; come again.", headers={"Retry-After": "2"})

    monkeypatch.setattr(grading, "create", busy)
    return lambda: monkeypatch.setattr(grading, "create", real)


def test_a_grade_refused_for_want_of_hands_can_be_made_later(
    client: TestClient, claim: str, samples: Path, hands: Callable[[], None]
) -> None:
    place, good = f"/returns/{claim}", (samples / END).read_bytes()
    form = {"view": "end-blower", "grade": "yes", "fresh": "one form"}
    sent = client.post(f"{place}/photos", files={"file": ("a.jpg", good)}, data=form, follow_redirects=False)
    assert sent.status_code == 503
    assert sent.headers["retry-after"]
    key = {"Idempotency-Key": "grade"}
    for _ in range(2):
        assert client.post(f"/api/v1{place}/grade", headers=key).json()["code"] == "busy"
        assert client.post(f"{place}/grade").status_code == 503
    assert [one["view"] for one in client.get(f"/api/v1{place}").json()["photos"]] == ["end-blower"]
    hands()
    again = client.post(f"{place}/photos", files={"file": ("a.jpg", good)}, data=form, follow_redirects=False)
    assert (again.status_code, again.headers["location"]) == (303, f"{place}#grade"), "the form sent again"
    once = client.get(f"/api/v1{place}").json()
    assert len(once["photos"]) == 1
    assert once["grade"], once
    assert client.post(f"/api/v1{place}/grade", headers=key).status_code == 201
