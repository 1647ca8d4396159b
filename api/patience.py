"""A server that does not wait without end for the head of a request: whoever sends it letter by letter is cut off."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 20.0
"""From the first letter of a request, or from the connection, to the end of its head; a bad link needs a few."""


class Patient(H11Protocol):
    """Uvicorn's protocol with this limit; the time for a body is ``api/overload.py``'s."""

    head_s = HEAD_S
    _waits: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody has come, and may be silent."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Something has come, perhaps half a head."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """They are gone."""
        super().connection_lost(exc)
        self._rest()

    @property
    def _is_idle(self) -> bool:
        """Whether no request is at work here: its head is awaited, or it was answered and goes on sending its body."""
        return self.conn.their_state is h11.IDLE or (self.cycle is not None and self.cycle.response_complete)

    def _watch(self) -> None:
        if not self._is_idle:
            self._rest()
        elif self._waits is None and not self.transport.is_closing():
            self._waits = self.loop.call_later(self.head_s, self._give_up)

    def _rest(self) -> None:
        if self._waits is not None:
            self._waits.cancel()
            self._waits = None

    def _give_up(self) -> None:
        self._waits = None
        if self._is_idle and not self.transport.is_closing():
            self.transport.close()


__all__ = ["HEAD_S", "Patient"]
