"""Wrong tokens of each client address within the last minute, in bounded memory."""

from __future__ import annotations

import math
import time
from collections import OrderedDict, deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_WRONG = 5
WITHIN_S = 60.0
MOST_ADDRESSES = 1024


class Guesses:
    """Counts wrong tokens by address; only wrong ones are ever turned away by it.

    A right token comes in at any time: a neighbour behind the same address, or an old cookie in
    the photographer's own tablet, must not lock him out. What keeps a guesser out is the
    token's length; this spares the work and tells him to wait.

    Parameters
    ----------
    clock
        Seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: OrderedDict[str, deque[float]] = OrderedDict()

    def __len__(self) -> int:
        """Return how many addresses are remembered."""
        return len(self._wrong)

    def wait_s(self, address: str) -> int:
        """Note a wrong token and return whole seconds to wait; 0 for the first few of a minute."""
        now = self._clock()
        times = self._wrong.setdefault(address, deque(maxlen=MOST_WRONG))
        self._wrong.move_to_end(address)
        if len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)
        while times and now - times[0] >= WITHIN_S:
            times.popleft()
        if len(times) == MOST_WRONG:
            return max(1, math.ceil(WITHIN_S - (now - times[0])))
        times.append(now)
        return 0
