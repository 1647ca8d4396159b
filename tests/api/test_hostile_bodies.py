"""Bodies that no client of ours sends: numbers without end, texts that are none, depth, thousands of parts.

Held against RFC 8259 (JSON has no NaN, no infinity), RFC 9457 (what is refused is a problem) and RFC 7578 (multipart).
"""

from __future__ import annotations

import json
import time

import pytest
from fastapi.testclient import TestClient

DEEP = "[" * 100_000 + "]" * 100_000
NUMBERS = ["NaN", "Infinity", "-Infinity", "1e999", "9" * 4000, "-" + "9" * 400, "9" * 5000, DEEP]
TEXTS = [
    "\\u0000",
    "\\ud800",
    "\\udfff\\ud800",
    "\\u202egnp.exe",
    "a" + "\\u0301" * 5000,
    "\\ufeff",
    "=cmd|' /C calc'!A0",
    "x" * 10**6,
]
"""As JSON writes them."""
BODIES = {
    "machines": '{"identifier": "%s", "hours": %s, "note": "%s"}',
    "inspections": '{"machine": "%s", "hours": %s, "note": "%s"}',
    "grades": '{"photos": ["%s"], "part": %s, "machine": "%s"}',
    "returns": '{"part": "flame_cell", "claimant": "%s", "hours_failed": %s, "serial": "%s"}',
}


def _sent(client: TestClient, path: str, body: str) -> int:
    started = time.process_time()
    answer = client.post(f"/api/v1/{path}", content=body.encode(), headers={"content-type": "application/json"})
    assert answer.status_code < 500, (path, body[:80], answer.text[:300])
    if answer.status_code >= 400:
        assert answer.headers["content-type"] == "application/problem+json"
    json.loads(answer.content)  # whatever is said of it can be written
    print(f"{path} {body[:40]!r}: {answer.status_code} in {time.process_time() - started:.2f} s of processor time")
    return answer.status_code


@pytest.mark.parametrize("path", BODIES)
def test_numbers_that_are_none_are_refused_and_break_nothing(client: TestClient, path: str) -> None:
    for number in NUMBERS:
        assert _sent(client, path, BODIES[path] % ("H-1", number, "x")) in (400, 404, 413, 422), number[:20]


@pytest.mark.parametrize("path", BODIES)
def test_texts_of_any_kind_break_nothing(client: TestClient, path: str) -> None:
    for text in TEXTS:
        _sent(client, path, BODIES[path] % (text, "10", text))
    for page in ("/", "/machines", "/returns", "/inspections", "/history"):
        assert client.get(page).status_code < 500, page
    for listed in ("machines", "inspections", "returns"):
        assert client.get(f"/api/v1/{listed}").status_code == 200, listed


@pytest.mark.parametrize(
    "body", [DEEP, "{" * 50_000, '{"a":' * 50_000, "\0", "\xff", '"\\ud800"', "[]", "null", "1", "", " " * 10**6]
)
def test_bodies_that_are_no_object_are_refused(client: TestClient, body: str) -> None:
    for path in BODIES:
        answer = client.post(
            f"/api/v1/{path}", content=body.encode("latin-1"), headers={"content-type": "application/json"}
        )
        assert answer.status_code in (400, 422), (path, body[:20], answer.text[:200])


def _part(name: str, content: bytes = b"x", file: str = "") -> bytes:
    filed = f'; filename="{file}"' if file else ""
    return f'--b\r\nContent-Disposition: form-data; name="{name}"{filed}\r\n\r\n'.encode() + content + b"\r\n"


FORMS = {
    "ten thousand fields": b"".join(_part(f"f{n}") for n in range(10_000)) + b"--b--\r\n",
    "five thousand files": b"".join(_part("file", b"x", f"{n}.jpg") for n in range(5_000)) + b"--b--\r\n",
    "one field of two megabytes": _part("purpose", b"x" * (2 << 20)) + _part("file", b"x", "a.jpg") + b"--b--\r\n",
    "header of a megabyte": b"--b\r\nContent-Disposition: form-data; name="
    + b"x" * (1 << 20)
    + b"\r\n\r\nx\r\n--b--\r\n",
    "thousands of headers": b"--b\r\n" + b"X-A: b\r\n" * 20_000 + b"\r\nx\r\n--b--\r\n",
    "form in a form": (
        b"--b\r\nContent-Disposition: form-data; name=file\r\nContent-Type: multipart/mixed; boundary=b\r\n\r\n"
        + _part("file")
        + b"--b--\r\n"
    ),
    "no end": _part("file", b"x", "a.jpg"),
    "no boundary within": b"nothing of the kind",
    "name with line ends": _part('a"\r\nX-Injected: 1\r\n\r\n', b"x", 'b"\r\nSet-Cookie: a=b\r\n'),
    "names outside": _part("file", b"x", "../../../../etc/passwd\x00.jpg") + b"--b--\r\n",
    "empty": b"",
}


# The framework leaves the spooled file of a form without an end to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("name", FORMS)
@pytest.mark.parametrize(
    "kind", ["multipart/form-data; boundary=b", "multipart/form-data", "multipart/form-data; boundary=" + "b" * 3000]
)
def test_forms_that_are_none_are_refused(client: TestClient, name: str, kind: str) -> None:
    for path in ("photos", "returns/parcels", "teaching/sets/import"):
        answer = client.post(f"/api/v1/{path}", content=FORMS[name], headers={"content-type": kind})
        assert 400 <= answer.status_code < 500, (path, answer.status_code, answer.text[:200])
        assert not {"x-injected", "set-cookie"} & set(answer.headers)
