"""Connections that do not finish asking are closed, so that slow ones cannot take all the server's places."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

SECONDS = 20.0
"""For the head of one request; the page on the same machine needs a thousandth of it."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that waits `SECONDS` for a whole request head, then hangs up."""

    _late: asyncio.TimerHandle | None = None
    patience_s = SECONDS

    def connection_made(self, transport: Any) -> None:
        """A client is there; it has yet to ask."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """A part of a request, which does not begin the wait anew."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """The next request may begin."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """The client is gone."""
        super().connection_lost(exc)
        self._stop()

    def _watch(self) -> None:
        asking = self.cycle is None or self.cycle.response_complete
        if not asking:
            self._stop()
        elif self._late is None and not self.transport.is_closing():
            self._late = self.loop.call_later(self.patience_s, self._hang_up)

    def _stop(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _hang_up(self) -> None:
        self._late = None
        if not self.transport.is_closing():
            self.transport.close()
