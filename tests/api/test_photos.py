"""Uploads that are no photos, or try to be more than one: each is refused as a problem, and leaves nothing behind."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given
from hypothesis import settings as bounds
from hypothesis import strategies as st
from PIL import Image

from wearvision_api.settings import Settings

PURPOSES = ("as-removed", "after-wiping", "as-installed", "other")


def send(client: TestClient, data: bytes, name: str = "photo.jpg", kind: str = "image/jpeg") -> tuple[int, dict]:  # type: ignore[type-arg]
    answer = client.post("/api/v1/photos", files={"file": (name, data, kind)})
    return answer.status_code, answer.json()


def kept(settings: Settings) -> list[Path]:
    return [path for path in (settings.data / "photos").rglob("*") if path.is_file() and path.name != ".lock"]


def png(width: int, height: int, pixels: bytes = b"") -> bytes:
    """A PNG whose head says what it likes (ISO/IEC 15948)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(pixels)) + chunk(b"IEND", b"")


def test_photo_is_kept_as_it_came(client: TestClient, sample: Path) -> None:
    status, body = send(client, sample.read_bytes())
    assert status == 201
    with Image.open(sample) as image:
        assert (body["width"], body["height"], body["media_type"]) == (*image.size, "image/jpeg")
    answer = client.get(f"/api/v1/photos/{body['id']}/content")
    assert answer.content == sample.read_bytes()
    assert answer.headers["etag"]
    again = client.get(f"/api/v1/photos/{body['id']}/content", headers={"If-None-Match": answer.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    small = client.get(f"/api/v1/photos/{body['id']}/content?width=64")
    with Image.open(io.BytesIO(small.content)) as image:
        assert max(image.size) == 64


@pytest.mark.parametrize(
    ("data", "codes"),
    [
        (b"", {"unreadable-photo"}),
        (b"\x00" * 4096, {"unreadable-photo"}),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>", {"unreadable-photo"}),
        (b"GIF89a<script>", {"unreadable-photo"}),
        (b"%PDF-1.7\n", {"unreadable-photo"}),
        (b"PK\x03\x04" + b"\x00" * 60, {"unreadable-photo"}),
        (png(60_000, 60_000), {"too-large", "unreadable-photo"}),
        (png(2**31 - 1, 2**31 - 1), {"too-large", "unreadable-photo"}),
        (png(0, 10), {"unreadable-photo"}),
        (png(20_000, 20_000, b"\x00" * 20_000 * 200), {"too-large", "unreadable-photo"}),
    ],
)
def test_what_is_no_photo_is_refused_and_leaves_nothing(
    client: TestClient, settings: Settings, data: bytes, codes: set[str]
) -> None:
    status, body = send(client, data)
    assert status in (413, 422)
    assert body["code"] in codes
    assert "<bytes>" not in body["detail"]
    assert kept(settings) == []


@bounds(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True)
@given(cut=st.floats(0, 0.98), flips=st.lists(st.tuples(st.floats(0, 1), st.integers(1, 255)), max_size=8))
def test_damaged_photos_are_read_or_refused(
    client: TestClient, sample: Path, cut: float, flips: list[tuple[float, int]]
) -> None:
    """Truncated and with bytes changed: an answer of ours in every case, never a failure."""
    whole = sample.read_bytes()
    data = bytearray(whole[: int(len(whole) * (1 - cut))])
    for place, change in flips:
        data[min(int(place * len(data)), len(data) - 1)] ^= change
    status, body = send(client, bytes(data))
    assert status in (201, 413, 422), body


@pytest.mark.parametrize(
    "name",
    [
        "../../../../tmp/escaped.jpg",
        "..\\..\\escaped.jpg",
        "a" * 3000 + ".jpg",
        "a\x00b.jpg",
        "/etc/escaped",
        "%00.jpg",
    ],
)
def test_names_of_files_mean_nothing(client: TestClient, settings: Settings, sample: Path, name: str) -> None:
    """Blobs lie under their hash; whatever the upload is called, it changes no path."""
    status, body = send(client, sample.read_bytes(), name)
    assert status in (201, 400, 422)
    assert not [path for path in settings.data.parent.rglob("*") if "escaped" in path.name]
    assert all(path.name == body["sha256"] for path in kept(settings))


@pytest.mark.parametrize(
    ("fields", "kind"),
    [
        ({"purpose": "x"}, "invalid"),
        ({"id": "x"}, "invalid"),
        ({"id": "../../x"}, "invalid"),
        ({"id": "\x00"}, "invalid"),
    ],
)
def test_wrong_fields_are_named(client: TestClient, sample: Path, fields: dict[str, str], kind: str) -> None:
    answer = client.post("/api/v1/photos", files={"file": sample.read_bytes()}, data=fields)
    assert (answer.status_code, answer.json()["code"]) == (422, kind)
    assert next(iter(fields)) in answer.json()["detail"]


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"{}", "application/json"),
        (b"--x\r\n\r\nbroken", "multipart/form-data; boundary=x"),
        (b"--x", "multipart/form-data"),
        (b"\xff\xfe", "text/plain"),
    ],
)
def test_uploads_of_another_form_are_refused(client: TestClient, body: bytes, kind: str) -> None:
    answer = client.post("/api/v1/photos", content=body, headers={"Content-Type": kind})
    assert answer.status_code in (400, 415, 422)
    assert answer.headers["content-type"] == "application/problem+json"


def test_content_type_sent_is_not_believed(client: TestClient, sample: Path) -> None:
    status, body = send(client, sample.read_bytes(), "a.html", "text/html")
    assert (status, body["media_type"]) == (201, "image/jpeg")
    answer = client.get(f"/api/v1/photos/{body['id']}/content")
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_same_photo_twice_is_two_records_and_one_blob(client: TestClient, settings: Settings, sample: Path) -> None:
    first, second = send(client, sample.read_bytes())[1], send(client, sample.read_bytes())[1]
    assert first["id"] != second["id"]
    assert first["sha256"] == second["sha256"]
    assert len(kept(settings)) == 1
