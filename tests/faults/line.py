"""A line between two programs, on loopback, that can be cut, held up and made to lose what comes back."""

from __future__ import annotations

import random
import socket
import threading
import time
from contextlib import suppress
from types import TracebackType

PIECE = 16384


class Line:
    """Passes connections on to another port, as well as it is told to.

    Args:
        port: Of 127.0.0.1, where they lead.

    Attributes:
        port: Where it listens.
        state: ``whole``; ``held`` (connections are taken, nothing passes); ``refused`` (closed at once); ``deaf``
            (what is asked arrives, what is answered is lost); ``torn`` (each connection breaks after a few
            thousand bytes, either way); ``slow`` (each piece takes a second).
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._door = socket.create_server(("127.0.0.1", 0), backlog=256)
        self.port = int(self._door.getsockname()[1])
        self.state = "whole"
        self.broken = 0
        self._open: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._ended = threading.Event()
        threading.Thread(target=self._listen, daemon=True).start()

    def __enter__(self) -> Line:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._door.close()
        self.cut()

    def be(self, state: str) -> None:
        """From now on; connections that are open are cut, but where they are only to be held up."""
        self.state = state
        if state not in ("held", "slow", "whole"):
            self.cut()

    def cut(self) -> None:
        """Breaks every open connection."""
        with self._lock:
            ended, self._open = self._open, set()
        for one in ended:
            self._close(one)

    def _listen(self) -> None:
        while not self._ended.is_set():
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            if self.state == "refused":
                self._close(near)
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to), timeout=10)
            except OSError:
                self._close(near)
                continue
            far.settimeout(None)
            with self._lock:
                self._open |= {near, far}
            for source, target, is_answer in ((near, far, False), (far, near, True)):
                threading.Thread(target=self._pass, args=(source, target, is_answer), daemon=True).start()

    def _pass(self, source: socket.socket, target: socket.socket, is_answer: bool) -> None:
        left = random.randrange(200, 60_000)
        try:
            while piece := source.recv(PIECE):
                while self.state == "held" and not self._ended.is_set():
                    time.sleep(0.02)
                if self.state == "slow":
                    time.sleep(1)
                if self.state == "deaf" and is_answer:
                    break
                if self.state == "torn":
                    piece = piece[:left]
                    left -= len(piece)
                target.sendall(piece)
                if left <= 0:
                    break
        except OSError:
            pass
        finally:
            if self.state != "whole":
                self.broken += 1
            with self._lock:
                self._open -= {source, target}
            self._close(source)
            self._close(target)

    @staticmethod
    def _close(one: socket.socket) -> None:
        with suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()
