"""The real process: its line, where it refuses to listen, TLS, proxy, and a stop that finishes what is in flight."""

from __future__ import annotations

import socket
import ssl
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
import trustme
from click.testing import CliRunner, Result

from wearvision_api.commands import COMMANDS

from .process import Served


def serve_here(*options: str) -> Result:
    """What refuses to start needs no process of its own."""
    return CliRunner().invoke(COMMANDS["serve"], options)


def test_serve_without_options_answers_on_loopback_without_log_in_and_says_so(tmp_path: Path, small: bytes) -> None:
    """One process for all of it: each start takes seconds."""
    with Served(tmp_path / "data") as served:
        assert served.address.startswith("http://127.0.0.1:")
        assert "no log-in" in served.log.read_text()
        assert served.http.get("/readyz").json()["status"] == "ready"
        photo = served.upload(small, "first")
        assert photo.status_code == 201
        with ThreadPoolExecutor(1) as pool:
            graded = pool.submit(served.grade, [photo.json()["id"]] * 8, "slow")
            while "wearvision_gradings_inside 1.0" not in served.http.get("/metrics").text:
                assert not graded.done(), "the grade was too quick to be stopped in"
            served.process.terminate()
            assert graded.result().status_code == 201
        served.process.wait(60)
        assert "Traceback" not in served.log.read_text()


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--host", "0.0.0.0"], "add --accounts"),
        (["--host", "0.0.0.0", "--accounts"], "without TLS"),
        (["--host", "192.0.2.7", "--accounts", "--proxy", "192.0.2.1"], "cannot be listened on"),
        (["--accounts", "--proxy", "*"], "is no address or network"),
    ],
)
def test_serve_where_it_would_be_unsafe_refuses_with_the_reason(
    tmp_path: Path, options: list[str], reason: str
) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737): no machine has it."""
    ended = serve_here("--data", str(tmp_path / "data"), "--port", "0", *options)
    assert ended.exit_code in (1, 2)
    assert reason in " ".join(ended.output.split())
    assert isinstance(ended.exception, SystemExit), "a reason, not a traceback"


def test_serve_on_a_taken_port_says_so(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        ended = serve_here("--data", str(tmp_path / "data"), "--port", str(taken.getsockname()[1]))
    assert ended.exit_code == 1
    assert "in use" in ended.output


def test_serve_with_certificate_files_answers_by_host_name_over_tls(tmp_path: Path) -> None:
    authority = trustme.CA()
    certificate = authority.issue_cert("localhost")
    certificate.private_key_pem.write_to_path(tmp_path / "key.pem")
    for number, blob in enumerate(certificate.cert_chain_pems):
        blob.write_to_path(tmp_path / "chain.pem", append=number > 0)
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    options = [
        "--accounts", "--host", "0.0.0.0",
        "--tls-certificate", str(tmp_path / "chain.pem"), "--tls-key", str(tmp_path / "key.pem"),
    ]  # fmt: skip
    with Served(tmp_path / "data", options, verify=trusting, address="https://localhost:{port}") as served:
        answer = served.http.get("/readyz")
        assert answer.status_code == 200
        assert answer.headers["strict-transport-security"]
        assert served.http.get("/api/v1/grades").status_code == 401
        with pytest.raises(httpx.ConnectError):
            httpx.get(served.address, verify=ssl.create_default_context(), trust_env=False)
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(served.address.replace("https", "http"), trust_env=False)


@pytest.mark.parametrize(("proxy", "status"), [("127.0.0.1", 401), ("127.0.0.9", 403)])
def test_serve_behind_a_proxy_believes_that_peer_only(tmp_path: Path, proxy: str, status: int) -> None:
    """The test's own connections come from 127.0.0.1; what they say of TLS counts only where that is the proxy."""
    with Served(tmp_path / "data", ["--accounts", "--proxy", proxy]) as served:
        said = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "198.51.100.4"}
        believed = served.http.get("/api/v1/grades", headers=said)
        assert believed.status_code == status
        plain = served.http.get("/api/v1/grades")
        assert plain.status_code == 403
        assert plain.json()["code"] == "insecure"
        assert served.http.get("/healthz").status_code == 200


def test_refused_upload_is_answered_however_large_it_is(tmp_path: Path, small: bytes) -> None:
    """The only place is held by a phone in the middle of its upload; the other one must hear 503, not a broken line."""
    with Served(tmp_path / "data", ["--requests", "1"]) as served:
        host, port = served.address.removeprefix("http://").split(":")
        head = f"POST /api/v1/photos HTTP/1.1\r\nHost: {host}\r\nContent-Type: multipart/form-data; boundary=b\r\n"
        with socket.create_connection((host, int(port))) as slow:
            slow.sendall(f"{head}Content-Length: 5000\r\n\r\n--b\r\n".encode())
            while "wearvision_requests_inside 2.0" not in served.http.get("/metrics").text:
                time.sleep(0.01)
            refused = served.upload(small + bytes(20 << 20), "large")
            assert (refused.status_code, refused.json()["code"]) == (503, "busy")
            assert refused.headers["retry-after"]
        while "wearvision_requests_inside 1.0" not in served.http.get("/metrics").text:
            time.sleep(0.01)
        assert served.upload(small, "large").status_code == 201, "nothing was recorded under its key"
