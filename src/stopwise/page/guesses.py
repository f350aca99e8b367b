"""Wrong tokens: who guesses waits longer each time, by address and over all, in bounded memory."""

from __future__ import annotations

import hashlib
import ipaddress
import math
import time
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_WRONG, LONGEST_WAIT_S = 5, 900.0
MOST_WRONG_OF_ALL, LONGEST_WAIT_OF_ALL_S = 100, 60.0
FORGOTTEN_AFTER_S = 3600.0
MOST_ADDRESSES = 1024
_NETWORK_BITS = 64


@dataclass(slots=True)
class _Tries:
    """Wrong tokens of one address, or of all: how many, the last, and until when to wait."""

    count: int = 0
    last: bytes = b""
    noted_at: float = -math.inf
    until: float = -math.inf

    def note(self, now: float, *, free: int, longest_s: float) -> None:
        self.count += 1
        self.noted_at = now
        over = self.count - free
        self.until = now + (min(2.0 ** min(over + 1, 30), longest_s) if over >= 0 else 0.0)


class Guesses:
    """Says how long a token must wait before it is looked at.

    The first few wrong ones cost nothing: somebody mistypes, a tablet knows yesterday's. From then
    on each doubles the wait of its address, and many of many addresses that of everybody who brings
    a token. While one waits even a right token isn't looked at, so that waiting can't be left out.
    Who has the cookie brings no token and never waits. The same wrong token again is no new guess.

    Parameters
    ----------
    clock
        Seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._all = _Tries()
        self._of: OrderedDict[str, _Tries] = OrderedDict()

    def __len__(self) -> int:
        """Return how many addresses are remembered."""
        return len(self._of)

    def wait_s(self, address: str) -> int:
        """Return whole seconds until a token from an address is looked at; 0 for now."""
        now = self._clock()
        tries = self._of.get(_network(address), _Tries())
        return math.ceil(max(tries.until - now, self._all.until - now, 0.0))

    def wrong(self, address: str, token: str) -> None:
        """Note a wrong token."""
        now, digest = self._clock(), hashlib.sha256(token.encode("utf-8", "replace")).digest()
        tries = self._tries(_network(address), now)
        if tries.last == digest:
            return
        tries.last = digest
        tries.note(now, free=MOST_WRONG, longest_s=LONGEST_WAIT_S)
        if now - self._all.noted_at > FORGOTTEN_AFTER_S:
            self._all = _Tries()
        self._all.note(now, free=MOST_WRONG_OF_ALL, longest_s=LONGEST_WAIT_OF_ALL_S)

    def _tries(self, network: str, now: float) -> _Tries:
        tries = self._of.pop(network, None)
        if tries is None or now - tries.noted_at > FORGOTTEN_AFTER_S:
            tries = _Tries()
        self._of[network] = tries
        if len(self._of) > MOST_ADDRESSES:
            self._of.popitem(last=False)
        return tries


def _network(address: str) -> str:
    """Return who an address counts as: IPv6 gives one device as many addresses as it wants."""
    try:
        known = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(known, ipaddress.IPv4Address):
        return str(known)
    if known.ipv4_mapped is not None:
        return str(known.ipv4_mapped)
    return str(ipaddress.ip_network((known, _NETWORK_BITS), strict=False))
