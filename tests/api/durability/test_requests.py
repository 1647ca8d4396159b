"""Requests as bytes to the real server: what is ambiguous is refused or its connection closed; none is smuggled in.

Against RFC 9112 (6.1 and 6.3: message length; 3.2: Host; 5.2: obsolete folding) and RFC 9110 (9.3.8: TRACE).
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest

from wearvision_api.accounts.first import make_administrator
from wearvision_api.settings import Settings

from .process import Served

NAME, PASSWORD = "yardmaster", "seven dry nozzles stand"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """With a log-in, behind nothing: a proxy is named that is not us."""
    data = tmp_path_factory.mktemp("requests") / "data"
    make_administrator(Settings(data=data), NAME, PASSWORD)
    with Served(data, ["--accounts"]) as served:
        yield served


def said(served: Served, request: bytes) -> tuple[list[int], bytes, bool]:
    """Statuses of all answers on one connection, their bytes, and whether the server closed it."""
    where = urlsplit(served.address)
    with socket.create_connection((where.hostname, where.port or 80), timeout=60) as line:
        line.sendall(request)
        got, is_closed = b"", False
        try:
            while part := line.recv(65536):
                got += part
            is_closed = True
        except TimeoutError:
            pass
        except ConnectionResetError:
            is_closed = True
    return [int(code) for code in re.findall(rb"HTTP/1\.1 (\d{3}) ", got)], got, is_closed


HOST = b"Host: 127.0.0.1\r\n"
SMUGGLED = b"GET /smuggled HTTP/1.1\r\n" + HOST + b"\r\n"


@pytest.mark.parametrize(
    "head",
    [
        b"Content-Length: 0\r\nContent-Length: 44\r\n",
        b"Content-Length: 0, 44\r\n",
        b"Content-Length: +0\r\n",
        b"Content-Length: 0x0\r\n",
        b"Content-Length: -1\r\n",
        b"Transfer-Encoding: xchunked\r\n",
        b"Transfer-Encoding: chunked, identity\r\n",
        b"Transfer-Encoding : chunked\r\n",
        b"Content-Length : 0\r\n",
        b"X: 1\nTransfer-Encoding: chunked\r\n",
        b"X: 1\rContent-Length: 44\r\n",
        b"X: a\x00b\r\n",
        b"Host: evil.example\r\n",
    ],
)
def test_ambiguous_requests_are_refused_and_the_connection_closed(served: Served, head: bytes) -> None:
    codes, got, is_closed = said(served, b"POST /login HTTP/1.1\r\n" + HOST + head + b"\r\n" + SMUGGLED)
    assert codes[:1] in ([400], [501]), got
    assert len(codes) == 1, "what follows was taken for a request of its own"
    assert is_closed


def test_length_stated_in_two_ways_ends_the_connection(served: Served) -> None:
    """RFC 9112, 6.1: a proxy that counts by the other one must not find a second request here."""
    request = b"POST /login HTTP/1.1\r\n" + HOST + b"Content-Length: 60\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    codes, got, is_closed = said(served, request + SMUGGLED)
    assert (codes, is_closed) == ([400], True), got


@pytest.mark.parametrize("chunk", [b"5\r\nhelloXX0\r\n\r\n", b"-1\r\n\r\n", b"zz\r\n\r\n"])
def test_malformed_chunks_are_refused(served: Served, chunk: bytes) -> None:
    head = b"POST /login HTTP/1.1\r\n" + HOST + b"Content-Type: text/plain\r\nTransfer-Encoding: chunked\r\n\r\n"
    codes, got, is_closed = said(served, head + chunk + SMUGGLED)
    assert b"/smuggled" not in got
    assert is_closed
    assert len(codes) <= 1, got


@pytest.mark.parametrize(
    ("line", "status"),
    [
        (b"GET /machines HTTP/1.1\r\nX: " + b"a" * 100_000 + b"\r\n", 0),
        (b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n", 0),
        (b"GET /machines HTTP/1.1\r\n" + b"".join(b"X-%d: y\r\n" % n for n in range(20_000)), 400),
        (b"TRACE / HTTP/1.1\r\nX: secret-of-header\r\n", 405),
        (b"CONNECT evil.example:443 HTTP/1.1\r\n", 0),
        (b"GET http://evil.example/machines HTTP/1.1\r\n", 0),
        (b"GET //evil.example/login HTTP/1.1\r\n", 404),
        (b"GET /static/..%2f..%2fapp.py HTTP/1.1\r\n", 404),
        (b"GET /static/%2e%2e/%2e%2e/app.py HTTP/1.1\r\n", 404),
        (b"GET /static/../app.py HTTP/1.1\r\n", 404),
        (b"GET /static//etc/passwd HTTP/1.1\r\n", 404),
        (b"GET /static/\\..\\app.py HTTP/1.1\r\n", 404),
        (b"GET /accounts;/login HTTP/1.1\r\n", 404),
        (b"GET /login/../accounts HTTP/1.1\r\n", 404),
        (b"GET /healthz/..;/accounts HTTP/1.1\r\n", 404),
        (b"GET /%61ccounts HTTP/1.1\r\n", 401),
        (b"GET /ACCOUNTS HTTP/1.1\r\n", 404),
        (b"GET /accounts/ HTTP/1.1\r\n", 0),
        (b"GET /accounts%00 HTTP/1.1\r\n", 404),
        (b"GET /accounts HTTP/1.1\r\nX-Original-URL: /login\r\nX-HTTP-Method-Override: HEAD\r\n", 401),
    ],
)
def test_odd_addresses_and_heads_open_nothing(served: Served, line: bytes, status: int) -> None:
    """0: any refusal or redirect to a path of ours. The host is not ours in some of them, or is left out."""
    where = urlsplit(served.address)
    host = b"" if b"Host:" in line else f"Host: {where.netloc}\r\n".encode()
    codes, got, _ = said(served, line + host + b"Connection: close\r\n\r\n")
    assert len(codes) == 1, got[:300]
    assert codes[0] == status or (status == 0 and 300 <= codes[0] < 500), got[:300]
    location = re.search(rb"(?i)\r\nlocation: (\S+)", got)
    assert location is None or re.fullmatch(rb"(?:http://127\.0\.0\.1:\d+)?/(?![/\\]).*", location[1]), location
    for secret in (b"def create_app", b"root:", b"secret-of-header", b"<h1>Accounts"):
        assert secret not in got


def test_forwarded_headers_of_a_stranger_are_not_believed(served: Served) -> None:
    """No proxy is set: whoever says that he came from elsewhere is counted where he is, so that he has to wait."""
    codes = []
    for number in range(7):
        forged = {"X-Forwarded-For": f"10.1.1.{number}", "Forwarded": f"for=10.1.1.{number}"}
        body = {"name": "nobody-here", "password": "wrong words here"}
        codes.append(served.http.post("/login", data=body, headers=forged).status_code)
    assert codes[:5] == [401] * 5
    assert 429 in codes
