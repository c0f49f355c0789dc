"""How often somebody may try a password: the more of them were wrong, the longer one waits.

Counted are the tries for an account, for a name that nobody has alike, and the tries from an address. A try is counted
before it is looked at, so that many at once gain nothing. Nobody is locked out for good: a wait never exceeds a quarter
of an hour, is forgotten after an hour without a wrong try, and a browser that has once signed in to an account waits
only for its own mistakes there, so whoever guesses elsewhere cannot keep a nurse from her patients.

The counts are in the memory of the server and bounded in number; a restart forgets them.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

LONGEST = timedelta(minutes=15)
FORGOTTEN = timedelta(hours=1)
MOST_KEPT = 20_000
FREE = {"account": 5, "browser": 5, "address": 30}
"""Wrong tries before the first wait. A whole unit may come from one address."""


@dataclass
class _Tries:
    wrong: int
    last: datetime


Counted = tuple[str, str]
"""What is counted, `account`, `browser` or `address`, and which one."""


class Slowing:
    """Wrong tries and the waits that follow from them. `clock` gives the present instant."""

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._tries: OrderedDict[Counted, _Tries] = OrderedDict()
        self._lock = threading.Lock()

    def tries(self, whom: Iterable[Counted]) -> timedelta | None:
        """Counts a try as wrong beforehand and gives None; or gives how long to wait, and counts nothing."""
        now, keys = self._clock(), list(whom)
        with self._lock:
            waits = [self._wait(key, now) for key in keys]
            longest = max(waits, default=timedelta())
            if longest > timedelta():
                return longest
            for key in keys:
                found = self._tries.pop(key, None)
                wrong = 0 if found is None or now - found.last > FORGOTTEN else found.wrong
                self._tries[key] = _Tries(wrong + 1, now)
            while len(self._tries) > MOST_KEPT:
                self._tries.popitem(last=False)
        return None

    def was_right(self, whom: Iterable[Counted]) -> None:
        """Takes back a try that was right: an account or browser begins anew, an address only loses this one."""
        with self._lock:
            for key in whom:
                if key[0] != "address":
                    self._tries.pop(key, None)
                elif key in self._tries:
                    self._tries[key].wrong -= 1

    def _wait(self, key: Counted, now: datetime) -> timedelta:
        found = self._tries.get(key)
        if found is None or now - found.last > FORGOTTEN:
            return timedelta()
        over = found.wrong - FREE[key[0]]
        if over < 0:
            return timedelta()
        wait = min(LONGEST, timedelta(seconds=2 ** min(over, 20)))
        return max(timedelta(), found.last + wait - now)
