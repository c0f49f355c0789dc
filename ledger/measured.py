"""A quantity as it was said.

"<20 %" is not twenty and "812.50" is not 812.5: the decimal stays text, with its
comparator and its bounds. The unit is fixed by the name of the field that holds the
quantity (`flow_ml_min`, `diameter_mm`, `residual_percent`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

Comparator = Literal["<", "<=", ">=", ">", "~"]
HowKnown = Literal["measured", "estimated"]

_DECIMAL_TEXT = r"-?\d{1,9}(?:\.\d{1,9})?"
_DECIMAL = re.compile(_DECIMAL_TEXT, re.ASCII)


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A number in the digits that were said, or a range.

    `value` is the number; `low` and `high` are the ends of a range ("3-4 cm"), and then
    `value` is None. `~` says "about". `how` is None when nobody said whether it was
    measured or estimated by eye.

    >>> str(Measured(value="20", comparator="<"))
    '<20'
    >>> str(Measured(low="3", high="4"))
    '3-4'
    """

    value: str | None = None
    comparator: Comparator | None = None
    low: str | None = None
    high: str | None = None
    how: HowKnown | None = None

    def __post_init__(self) -> None:
        for text in (self.value, self.low, self.high):
            if text is not None and not _DECIMAL.fullmatch(text):
                raise ValueError(f"{text[:20]!r} is not a decimal number such as 812.50")
        if self.value is None and (self.low is None or self.high is None):
            raise ValueError("a quantity needs a value, or both ends of a range")
        if self.value is not None and (self.low is not None or self.high is not None):
            raise ValueError("a quantity is either one value or a range, not both")
        if self.value is None and self.comparator is not None:
            raise ValueError("a range has no comparator: its ends say what is meant")
        if self.low is not None and self.high is not None and Decimal(self.low) > Decimal(self.high):
            raise ValueError("the low end of a range lies above its high end")

    @property
    def is_exact(self) -> bool:
        """One number, without a comparator."""
        return self.value is not None and self.comparator is None

    @property
    def at_least(self) -> Decimal | None:
        """The smallest number that this can mean; None where there is no lower bound."""
        if self.value is None:
            assert self.low is not None
            return Decimal(self.low)
        return None if self.comparator in ("<", "<=") else Decimal(self.value)

    @property
    def at_most(self) -> Decimal | None:
        """The largest number that this can mean; None where there is no upper bound."""
        if self.value is None:
            assert self.high is not None
            return Decimal(self.high)
        return None if self.comparator in (">", ">=") else Decimal(self.value)

    def __str__(self) -> str:
        if self.value is None:
            return f"{self.low}-{self.high}"
        sign = {"~": "about ", "<=": "≤", ">=": "≥"}.get(self.comparator or "", self.comparator or "")
        return f"{sign}{self.value}"


def measured(text: str) -> Measured:
    """A quantity from what a person types: `812.50`, `<20`, `~5` or `about 5`, `3-4`, `>=600`.

    Raises ValueError with what to write instead.
    """
    cleaned = text.strip().replace("≤", "<=").replace("≥", ">=")
    if cleaned.startswith("about "):
        cleaned = "~" + cleaned.removeprefix("about ")
    found = re.fullmatch(rf"(<=|>=|<|>|~)?\s*({_DECIMAL_TEXT})", cleaned, re.ASCII)
    if found:
        return Measured(value=found[2], comparator=found[1])  # type: ignore[arg-type]
    found = re.fullmatch(rf"({_DECIMAL_TEXT})\s*(?:-|–|to)\s*({_DECIMAL_TEXT})", cleaned, re.ASCII)
    if found:
        return Measured(low=found[1], high=found[2])
    raise ValueError(f"{text[:20]!r} is not a quantity: write 812.50, <20, ~5 or 3-4")
