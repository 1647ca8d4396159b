"""The real served process by host name over TLS, a phone's browser on it, and a link that can lose answers."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import http.client
import os
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import trustme
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from playwright.sync_api import BrowserContext, Page, Playwright

HOST = "burner.test"
NAME, PASSWORD = "technician", "cold chamber dry nozzle"
PHONE = {"width": 390, "height": 844}
PATIENCE_S = 60
TABLES = ("photos", "grades", "readings", "walks", "machines", "inspections")


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class Served:
    """``wearvision serve`` with accounts and TLS on a data folder; can be stopped and started again."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None
    before: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.authority = trustme.CA()
        certificate = self.authority.issue_cert(HOST)
        certificate.private_key_pem.write_to_path(str(self.folder / "key.pem"))
        chain = [pem.bytes() for pem in certificate.cert_chain_pems]
        (self.folder / "chain.pem").write_bytes(b"".join(chain))
        public = x509.load_pem_x509_certificate(chain[0]).public_key()
        der = public.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        self.pin = base64.b64encode(hashlib.sha256(der).digest()).decode()
        words = self._words("administrator", NAME, "--password-stdin")
        subprocess.run(words, input=f"{PASSWORD}\n".encode(), capture_output=True, timeout=PATIENCE_S, check=True)

    def _words(self, *words: str) -> list[str]:
        return [str(Path(sys.executable).with_name("wearvision")), *words, "--data", str(self.folder / "data")]

    def start(self) -> None:
        """Returns when it listens."""
        tls = ("--tls-certificate", str(self.folder / "chain.pem"), "--tls-key", str(self.folder / "key.pem"))
        words = self._words("serve", "--accounts", "--hosts", HOST, "--port", str(self.port), *tls)
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        for _ in range(10 * PATIENCE_S):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.1)
        raise AssertionError((self.folder / "log").read_text())

    def stop(self) -> None:
        """Returns when it is gone."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(PATIENCE_S)
            self.process = None

    def begin(self) -> None:
        """Starts it if it does not run, and counts from here on."""
        if self.process is None:
            self.start()
        self.before = {}
        self.before = self.counts()

    def counts(self) -> dict[str, int]:
        """Rows of each table since ``begin``, read from the database file itself."""
        with contextlib.closing(sqlite3.connect(self.folder / "data" / "wearvision.sqlite")) as database:
            rows = {table: database.execute(f"select count(*) from {table}").fetchone()[0] for table in TABLES}
        return {table: count - self.before.get(table, 0) for table, count in rows.items()}

    def settles_at(self, **expected: int) -> None:
        """Waits until the database holds so many rows, and sees that it stays so; tables unsaid hold none."""
        wanted = dict.fromkeys(TABLES, 0) | expected
        end = time.monotonic() + PATIENCE_S
        while self.counts() != wanted and time.monotonic() < end:
            time.sleep(0.2)
        time.sleep(1)
        assert self.counts() == wanted


class Phone:
    """A browser with a profile of its own, which outlives it."""

    def __init__(self, playwright: Playwright, served: Served, profile: Path, port: int | None = None) -> None:
        self.playwright, self.served, self.profile = playwright, served, profile
        self.port = port or served.port
        self.context: BrowserContext | None = None

    def open(self, path: str = "/queue") -> Page:
        """Opens the browser at a page, by host name over TLS."""
        self.context = self.playwright.chromium.launch_persistent_context(
            str(self.profile),
            executable_path="/usr/bin/chromium",
            args=[
                "--no-sandbox",
                f"--host-resolver-rules=MAP {HOST} 127.0.0.1:{self.port}",
                f"--ignore-certificate-errors-spki-list={self.served.pin}",
            ],
            viewport=PHONE,  # type: ignore[arg-type]
        )
        self.context.set_default_timeout(1000 * PATIENCE_S)
        page = self.context.pages[0]
        page.goto(f"https://{HOST}{path}")
        return page

    def log_in(self) -> Page:
        """Opens it, logs in, and waits until pages and data are kept for work without a link."""
        page = self.open("/login?next=/queue")
        page.fill("#name", NAME)
        page.fill("#password", PASSWORD)
        page.click("button[type=submit]")
        page.wait_for_url(f"https://{HOST}/queue")
        page.evaluate(
            """async () => {
              const kept = async () => (await (await caches.open("knowledge")).keys()).length;
              while (!navigator.serviceWorker.controller || (await kept()) < 4) {
                await new Promise((resolve) => setTimeout(resolve, 100));
              }
            }"""
        )
        return page

    def close(self) -> None:
        """Closes it as its owner would."""
        if self.context is not None:
            self.context.close()
            self.context = None

    def kill(self) -> None:
        """Ends it at once, as an empty battery would."""
        mine = f"--user-data-dir={self.profile}".encode()
        for entry in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                words = (entry / "cmdline").read_bytes().split(b"\0") if entry.name.isdigit() else []
                if mine in words and not any(word.startswith(b"--type=") for word in words):
                    os.kill(int(entry.name), signal.SIGKILL)
        with contextlib.suppress(Exception):  # it is gone already
            self.close()
        self.context = None
        (self.profile / "SingletonLock").unlink(missing_ok=True)


class LossyLink:
    """A TLS relay before the service that passes each new record on and then loses the first answer."""

    def __init__(self, served: Served) -> None:
        self.lost: list[str] = []
        upstream = ssl.create_default_context()
        served.authority.configure_trust(upstream)
        link = self

        class Relay(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def relay(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                plain = socket.create_connection(("127.0.0.1", served.port))
                with upstream.wrap_socket(plain, server_hostname=HOST) as tls:
                    connection = http.client.HTTPConnection(HOST)
                    connection.sock = tls
                    connection.request(self.command, self.path, body, dict(self.headers))
                    reply = connection.getresponse()
                    answer = reply.read()
                key = self.headers.get("Idempotency-Key", "")
                if key and reply.status == 201 and key not in link.lost:
                    link.lost.append(key)
                    self.close_connection = True
                    self.connection.close()
                    return
                self.send_response(reply.status)
                for name, value in reply.getheaders():
                    if name.lower() not in ("transfer-encoding", "content-length", "connection", "date"):
                        self.send_header(name, value)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            do_GET = do_POST = relay

            def log_message(self, format: str, *args: object) -> None:
                """Says nothing."""

            def handle(self) -> None:
                with contextlib.suppress(OSError, ValueError):  # the browser hung up, or the answer was lost
                    super().handle()

            def finish(self) -> None:
                with contextlib.suppress(OSError, ValueError):
                    super().finish()

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Relay)
        inward = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        inward.load_cert_chain(served.folder / "chain.pem", served.folder / "key.pem")
        self.server.socket = inward.wrap_socket(self.server.socket, server_side=True, do_handshake_on_connect=False)
        self.server.handle_error = lambda *_: None  # type: ignore[method-assign]  # lost links are its purpose
        self.port = int(self.server.server_address[1])
        self.thread = threading.Thread(target=self.server.serve_forever)

    @contextlib.contextmanager
    def running(self) -> Iterator[LossyLink]:
        """While the block runs."""
        self.thread.start()
        try:
            yield self
        finally:
            self.server.shutdown()
            self.thread.join()
            self.server.server_close()
