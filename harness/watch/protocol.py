"""HTTP for the live page with bounds: size and time of headers, number of connections."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

#: Connections at a time. More get an answer and are closed: descriptors never run out.
MOST_CONNECTIONS: Final = 64
#: A request's headers must be there within this time, seconds.
HEADERS_S: Final = 10.0
#: Room for one request's headers, bytes.
HEADER_BYTES: Final = 16 << 10
_HEAD: Final = "HTTP/1.1 {}\r\nContent-Type: text/plain\r\nConnection: close\r\nContent-Length: {}\r\n\r\n{}"


class BoundedProtocol(H11Protocol):
    """One connection of a visitor."""

    _due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            self._turn_away("503 Service Unavailable", "Too many visitors; try again in a moment.\n")
        else:
            self._expect_headers()

    def data_received(self, data: bytes) -> None:
        if not self.transport.is_closing():
            super().data_received(data)
            self._expect_headers()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._due is not None:
            self._due.cancel()
        super().connection_lost(exc)

    def _waits(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _expect_headers(self) -> None:
        if self._due is None and self._waits():
            self._due = self.loop.call_later(HEADERS_S, self._too_slow)

    def _too_slow(self) -> None:
        self._due = None
        if self._waits() and not self.transport.is_closing():
            self._turn_away("408 Request Timeout", "The request took too long.\n")

    def _turn_away(self, status: str, said: str) -> None:
        self.transport.write(_HEAD.format(status, len(said), said).encode())
        self.transport.close()
