"""How long the bench waits for what a client has begun to send, and how many connections it keeps.

The server has no such limits of its own: a client that opens connections without end and sends a letter now and then
would hold every one of them. A browser sends all at once; whoever is waited for longest goes first.
"""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 5.0  # for the head of a request, from its first letter or from the connection
BODY_S = 120.0  # for all of a form or file: the largest, over a slow tunnel
MOST_CONNECTIONS = 100  # a browser opens six


class Patient(H11Protocol):
    """One connection."""

    _due: asyncio.TimerHandle | None = None
    _limit_s: float | None = None  # of what is waited for; None while nothing is

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A new connection; when there are too many, the one that was waited for longest makes room."""
        super().connection_made(transport)
        self.since_s = self.loop.time()
        self._wait(HEAD_S)
        kept = [one for one in self.connections if isinstance(one, Patient) and not one.transport.is_closing()]
        if len(kept) > MOST_CONNECTIONS:
            others = [one for one in kept if one is not self]
            idle = [one for one in others if one.is_idle()]
            min(idle or others, key=lambda one: one.since_s).transport.abort()

    def data_received(self, data: bytes) -> None:
        """More of a request."""
        super().data_received(data)
        limits = {h11.IDLE: HEAD_S, h11.SEND_BODY: BODY_S}
        self._wait(limits.get(self.conn.their_state))

    def connection_lost(self, exc: Exception | None) -> None:
        """Gone."""
        self._wait(None)
        super().connection_lost(exc)

    def is_idle(self) -> bool:
        """Whether it is the client's turn: no whole request of it is being answered."""
        return self._limit_s is not None or self.cycle is None or self.cycle.response_complete

    def _wait(self, limit_s: float | None) -> None:
        if limit_s == self._limit_s:
            return  # it goes on: each letter does not begin the time anew
        if self._due is not None:
            self._due.cancel()
        self._limit_s = limit_s
        self._due = self.loop.call_later(limit_s, self.transport.abort) if limit_s is not None else None
