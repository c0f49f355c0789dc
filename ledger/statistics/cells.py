"""Which counts may not be shown, so that none that is small can be read or worked out.

Only the arithmetic; what is hidden in which result is in `hiding`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import TypeVar

Key = TypeVar("Key", bound=Hashable)


def hidden_cells(counts: Mapping[Key, int], lines: Iterable[Sequence[Key]], below: int) -> set[Key]:
    """Which of these counts may not be shown. Each line names counts that can be worked out from each other.

    >>> sorted(hidden_cells({"a": 40, "b": 12, "c": 3, "d": 0}, [["a", "b", "c", "d"]], 5))
    ['b', 'c']
    """
    hidden = {key for key, count in counts.items() if 0 < count < below}
    known = [tuple(dict.fromkeys(key for key in line if key in counts)) for line in lines]
    changed = True
    while changed:
        changed = False
        for line in known:
            mine = [key for key in line if key in hidden]
            others = [key for key in line if key not in hidden and counts[key] > 0]
            if len(mine) == 1 and others:
                hidden.add(min(others, key=lambda key: counts[key]))
                changed = True
    return hidden


class Beware(str):
    """A warning that tells how many, and can be told without a number that is small.

    >>> Beware("For {} no use is recorded.", 3).without_small(5)
    'For fewer than 5 no use is recorded.'
    """

    __slots__ = ("_counts", "_words")

    _words: str
    _counts: tuple[int, ...]

    def __new__(cls, words: str, *counts: int) -> Beware:
        made = super().__new__(cls, words.format(*counts))
        made._words, made._counts = words, counts
        return made

    def without_small(self, below: int) -> str:
        """The same with `fewer than` in the place of each count that is smaller than this, and not nought."""
        return self._words.format(*(said_below(count, below) for count in self._counts))


def said_below(count: int, below: int | None) -> str:
    """A count as it is printed: `fewer than 5` where it is smaller than may be shown."""
    return f"fewer than {below}" if below is not None and 0 < count < below else f"{count}"
