"""How often something may be tried in a while. Kept in memory: a restart forgets it.

Public: Throttle.
"""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable

MOST_KEYS = 20_000


class Throttle:
    """At most ``limit`` tries of one key within ``seconds``. Safe to use from several threads."""

    def __init__(self, limit: int, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.limit = limit
        self.seconds = seconds
        self.clock = clock
        self._tries: OrderedDict[str, deque[float]] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, key: str) -> int:
        """Count one try and return 0; where there were too many, count none and return the seconds to wait."""
        now = self.clock()
        with self._lock:
            tries = self._tries.setdefault(key, deque())
            self._tries.move_to_end(key)
            while tries and tries[0] <= now - self.seconds:
                tries.popleft()
            if len(tries) >= self.limit:
                return max(1, math.ceil(tries[0] + self.seconds - now))
            tries.append(now)
            while len(self._tries) > MOST_KEYS:
                self._tries.popitem(last=False)
            return 0

    def forget(self, key: str) -> None:
        """The key did well: its tries no longer count."""
        with self._lock:
            self._tries.pop(key, None)
