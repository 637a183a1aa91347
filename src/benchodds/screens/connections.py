"""Connections to the page: each brings its requests in time, and no address holds many.

What sends nothing, or half of a request and then a byte now and then, has a place for a few
seconds only. Where places are short, the connection that was waited for longest gives its own to
the newest, so that who sends a whole request is heard.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import uvicorn
    from starlette.types import ASGIApp

Peer = tuple[str, int]
"""Address and port of the other end; no two open connections have the same."""


@dataclass(frozen=True)
class Patience:
    """How long each stage of a connection may take, seconds, and how many there may be."""

    request_s: float = 10.0
    """From its making, or the answer before, to the end of a request's head."""
    form_s: float = 20.0
    """From there to the last byte of the form."""
    answer_s: float = 300.0
    """From there until the answer is taken."""
    each: int = 32
    """Connections of one address; a browser makes six."""
    all: int = 200


@dataclass
class _Line:
    transport: asyncio.Transport
    owes: bool = True
    """Whether the other end owes the rest of a request."""
    end: asyncio.TimerHandle | None = None

    def stop(self) -> None:
        if self.end is not None:
            self.end.cancel()


@dataclass
class Connections:
    """The connections that are open now. For the server's loop alone."""

    patience: Patience = field(default_factory=Patience)
    _lines: dict[Peer, _Line] = field(default_factory=dict)
    """By how long they have been in their stage, longest first."""

    def came(self, transport: asyncio.Transport) -> None:
        """A connection was made: it has a place, or is cut off at once."""
        peer: Peer = transport.get_extra_info("peername")[:2]
        if not self._room(peer[0]):
            transport.abort()
            return
        self._lines[peer] = _Line(transport)
        self.allow(peer, self.patience.request_s)

    def went(self, transport: asyncio.Transport) -> None:
        """A connection ended."""
        peer: Peer = transport.get_extra_info("peername")[:2]
        if peer in self._lines and self._lines[peer].transport is transport:
            self._lines.pop(peer).stop()

    def allow(self, peer: Peer | None, seconds: float, *, owes: bool = True) -> None:
        """Give a connection so long from now for its next stage; then it is cut off."""
        line = self._lines.pop(peer, None) if peer else None
        if peer and line is not None:
            line.stop()
            end = asyncio.get_running_loop().call_later(seconds, line.transport.abort)
            self._lines[peer] = _Line(line.transport, owes, end)

    def _room(self, address: str) -> bool:
        """Whether one more of an address has a place, if need be that of one that owes."""
        held = Counter(other for other, _port in self._lines)
        if held[address] >= self.patience.each:
            crowd = [address]
        elif len(self._lines) >= self.patience.all:
            crowd = [other for other, _n in held.most_common()]
        else:
            return True
        lines = self._lines.items()
        owing = (p for other in crowd for p, line in lines if p[0] == other and line.owes)
        peer = next(owing, None)
        if peer is not None:
            line = self._lines.pop(peer)
            line.stop()
            line.transport.abort()
        return peer is not None


def server_config(app: ASGIApp, connections: Connections, host: str, port: int) -> uvicorn.Config:
    """How the page is served: on one address, its connections watched."""
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Watched(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            connections.came(transport)

        def connection_lost(self, exc: Exception | None) -> None:
            connections.went(self.transport)
            super().connection_lost(exc)

    return uvicorn.Config(
        app,
        host=host,
        port=port,
        http=Watched,
        ws="none",
        lifespan="off",
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # a client's address is that of its connection, whatever it says
        timeout_keep_alive=5,
    )
