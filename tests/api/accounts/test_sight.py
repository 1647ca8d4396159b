"""Who sees which photo, and what a download says of the place of taking. EXIF after CIPA DC-008 (GPS IFD)."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from PIL import ExifTags, Image

from .people import Browser

LogIn = Callable[..., Browser]


@pytest.fixture(scope="module")
def located() -> bytes:
    """A sample with a place of taking in its EXIF, and a marker that is easy to find in the bytes."""
    folder = Path(__file__).parents[3] / "sample_images"
    with Image.open(next(path for path in sorted(folder.glob("flame_cell*.jpg")))) as image:
        exif = image.getexif()
        exif[ExifTags.Base.ImageDescription] = "PLACE-MARKER"
        exif.get_ifd(ExifTags.IFD.GPSInfo).update(
            {1: "N", 2: (48.0, 8.0, 15.5), 3: "E", 4: (11.0, 34.0, 30.25), 29: "2026:01:02"}
        )
        out = io.BytesIO()
        image.save(out, "JPEG", exif=exif, quality=92)
    assert place(out.getvalue())
    return out.getvalue()


def place(data: bytes) -> dict[int, object]:
    with Image.open(io.BytesIO(data)) as image:
        return dict(image.getexif().get_ifd(ExifTags.IFD.GPSInfo))


def upload(http: TestClient, data: bytes) -> str:
    answer = http.post("/api/v1/photos", files={"file": ("p.jpg", data, "image/jpeg")})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


def test_technician_sees_no_photo_of_another_until_it_belongs_to_an_inspection(browser: LogIn, located: bytes) -> None:
    mine, other = browser("technician").http, browser("technician-2").http
    photo = upload(mine, located)
    grade = mine.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    hidden = [
        f"/api/v1/photos/{photo}",
        f"/api/v1/photos/{photo}/content",
        f"/api/v1/grades/{grade}",
        f"/api/v1/grades/{grade}/pictures/0",
    ]
    assert {other.get(path).status_code for path in hidden} == {404}
    assert other.post("/api/v1/grades", json={"photos": [photo]}).status_code == 404
    assert other.put(f"/api/v1/grades/{grade}/outcome", json={"done": "replaced"}).status_code == 404
    assert other.get("/api/v1/grades").json()["items"] == []
    machine = other.post("/api/v1/machines", json={"identifier": "H-1"}).json()["id"]
    assert other.put(f"/api/v1/machines/{machine}/references/flame_cell", json={"photo": photo}).status_code == 404
    assert {browser("counter").http.get(path).status_code for path in hidden} == {200}
    visit = mine.post("/api/v1/inspections", json={"machine": machine}).json()["id"]
    mine.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell", "inspection": visit})
    assert {other.get(path).status_code for path in hidden[:2]} == {200}
    assert {other.get(path).status_code for path in hidden[2:]} == {404}  # the loose grade stays one's own


def test_place_of_taking_goes_to_nobody_else(browser: LogIn, located: bytes) -> None:
    mine = browser("technician").http
    photo = upload(mine, located)
    grade = mine.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    own = mine.get(f"/api/v1/photos/{photo}/content")
    assert own.content == located
    office = browser("counter").http
    for path in (
        f"/api/v1/photos/{photo}/content",
        f"/api/v1/photos/{photo}/content?width=320",
        f"/api/v1/grades/{grade}/pictures/0",
        f"/api/v1/grades/{grade}/pictures/0?outlines=false",
    ):
        answer = office.get(path)
        assert answer.status_code == 200
        assert not place(answer.content)
        assert b"PLACE-MARKER" not in answer.content
        assert b"Exif" not in answer.content
    assert b"PLACE-MARKER" not in mine.get(f"/api/v1/photos/{photo}/content?width=320").content


def test_owners_etag_does_not_stand_for_what_others_get(browser: LogIn, located: bytes) -> None:
    mine, office = browser("technician").http, browser("counter").http
    photo = upload(mine, located)
    etag = mine.get(f"/api/v1/photos/{photo}/content").headers["etag"]
    answer = office.get(f"/api/v1/photos/{photo}/content", headers={"If-None-Match": etag})
    assert answer.status_code == 200
    assert not place(answer.content)


def test_setting_keeps_the_place(browser: LogIn, located: bytes, guarded: FastAPI) -> None:
    photo = upload(browser("technician").http, located)
    house = guarded.state.house
    guarded.state.house = replace(house, settings=house.settings.model_copy(update={"keep_location": True}))
    assert place(browser("counter").http.get(f"/api/v1/photos/{photo}/content").content)
    guarded.state.house = house


def test_keys_and_ids_of_others_tell_nothing(browser: LogIn, located: bytes) -> None:
    """The same idempotency key of two people is two keys; a foreign id is refused without its record."""
    mine, other = browser("technician").http, browser("technician-2").http
    key = {"Idempotency-Key": "one and the same"}
    sent = {"files": {"file": ("p.jpg", located, "image/jpeg")}, "headers": key}
    first, second = mine.post("/api/v1/photos", **sent), other.post("/api/v1/photos", **sent)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json()["id"] != second.json()["id"]
    clash = other.post("/api/v1/photos", files=sent["files"], data={"id": first.json()["id"]})
    assert clash.status_code == 409
    assert first.json()["sha256"] not in clash.text
