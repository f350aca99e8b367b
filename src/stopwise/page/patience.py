"""How long a client may take: requests that trickle and answers that nobody reads are cut off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    import asyncio

HEADERS_S, BODY_S, READING_S = 10.0, 20.0, 30.0
MOST_CONNECTIONS, MOST_OF_ONE = 128, 64


class PatientProtocol(H11Protocol):
    """The server's protocol with an end to its patience, which the server itself hasn't.

    From the first moment, and from the first byte of each later request, a request's headers must
    be whole within `HEADERS_S`, then its body within `BODY_S`, however steadily it trickles; what
    is written to a client must be taken within `READING_S`. A stream that waits for news takes no
    time of these. More than `MOST_CONNECTIONS`, or `MOST_OF_ONE` of one address, are closed at
    once, so that no client uses up the files that the watch may open.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._awaited: object = None
        self._end_request: asyncio.TimerHandle | None = None
        self._end_reading: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request, or close where there are too many clients."""
        super().connection_made(transport)
        from_there = [one for one in self.connections if _address(one) == _address(self)]
        if len(self.connections) > MOST_CONNECTIONS or len(from_there) > MOST_OF_ONE:
            transport.abort()
            return
        self._await(h11.IDLE)

    def data_received(self, data: bytes) -> None:
        """Take what came, and wait no longer for the rest than before."""
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        """Go on to the next request; one that has begun to come is waited for."""
        super().on_response_complete()
        self._await(None)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing any more."""
        self._await(None)
        self.resume_writing()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Wait for a client that takes nothing, for a while."""
        super().pause_writing()
        self._end_reading = self.loop.call_later(READING_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Go on writing."""
        if self._end_reading is not None:
            self._end_reading.cancel()
            self._end_reading = None
        super().resume_writing()

    def _look(self) -> None:
        """See what of a request is still to come."""
        state = self.conn.their_state
        has_begun = state is not h11.IDLE or self.conn.trailing_data[0]
        self._await(state if state in (h11.IDLE, h11.SEND_BODY) and has_begun else None)

    def _await(self, state: object) -> None:
        """Wait for what a state awaits; one that is awaited already isn't given more time."""
        if state is self._awaited:
            return
        self._awaited = state
        if self._end_request is not None:
            self._end_request.cancel()
            self._end_request = None
        if state is not None:
            allowed_s = HEADERS_S if state is h11.IDLE else BODY_S
            self._end_request = self.loop.call_later(allowed_s, self.transport.abort)


def _address(protocol: Any) -> str | None:
    client = getattr(protocol, "client", None)
    return None if client is None else str(client[0])
