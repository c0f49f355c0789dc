"""When something happened, as precisely as it was said.

`2019`, `2019-03`, `2019-03-04`, `2019-03-04T10:30` and `2019-03-04T10:30:00+01:00`
are five different facts. A partial date is never padded; it has an earliest and a
latest reading, and whoever compares two of them says which reading they mean.

An instant without an offset is local to the unit. "Today", "future" and every day
are days of the unit's IANA zone; a function that needs a zone takes it as an argument.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler
    from pydantic_core import CoreSchema

_SHAPE = re.compile(
    r"(?P<year>[12]\d{3})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d)"
    r"(?:T(?P<hour>[01]\d|2[0-3]):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:\.\d{1,6})?)?"
    r"(?P<offset>Z|[+-]\d\d:\d\d)?)?)?)?",
    re.ASCII,
)


class PartialDate(str):
    """A year, a month, a day or an instant, kept in the letters in which it was said.

    It is its own text, so it goes to JSON and to FHIR as it stands. It has no single
    order: compare `earliest` or `latest`, or use `sort_key`.

    >>> PartialDate("2020-02").earliest, PartialDate("2020-02").latest
    (datetime.date(2020, 2, 1), datetime.date(2020, 2, 29))
    >>> PartialDate("2019-02-30")
    Traceback (most recent call last):
    ValueError: '2019-02-30' is not a year, month, day or instant: there is no such day
    """

    __slots__ = ()

    def __new__(cls, text: str) -> PartialDate:
        _parts_of(text)
        return str.__new__(cls, text)

    @property
    def precision(self) -> str:
        """`year`, `month`, `day` or `instant`."""
        return {4: "year", 7: "month", 10: "day"}.get(len(self), "instant")

    @property
    def is_local(self) -> bool:
        """An instant that was said without an offset, so it is local to the unit."""
        return len(self) > 10 and _parts_of(self).offset is None

    @property
    def earliest(self) -> date:
        """The first day that this can mean, in the offset in which it was said."""
        return _parts_of(self).earliest

    @property
    def latest(self) -> date:
        """The last day that this can mean, in the offset in which it was said."""
        return _parts_of(self).latest

    def earliest_in(self, zone: ZoneInfo) -> datetime:
        """The first moment that this can mean, as local time of `zone`, without its offset."""
        return _bounds_in(self, zone)[0]

    def latest_in(self, zone: ZoneInfo) -> datetime:
        """The last second that this can mean, as local time of `zone`, without its offset."""
        return _bounds_in(self, zone)[1]

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        return core_schema.no_info_after_validator_function(
            cls, core_schema.str_schema(min_length=4, max_length=32, strict=True)
        )


@dataclass(frozen=True)
class _Parts:
    earliest: date
    latest: date
    moment: datetime | None
    offset: str | None


@lru_cache(maxsize=65536)
def _parts_of(text: str) -> _Parts:
    found = _SHAPE.fullmatch(text)
    if found is None:
        raise ValueError(
            f"{text[:40]!r} is not a year, month, day or instant: write it as 2019, 2019-03, 2019-03-04, "
            "2019-03-04T10:30 or 2019-03-04T10:30:00+01:00"
        )
    try:
        year, month, day = found["year"], found["month"], found["day"]
        if month is None:
            return _Parts(date(int(year), 1, 1), date(int(year), 12, 31), None, None)
        first = date(int(year), int(month), 1)
        if day is None:
            return _Parts(first, first.replace(day=monthrange(first.year, first.month)[1]), None, None)
        the_day = first.replace(day=int(day))
        if found["hour"] is None:
            return _Parts(the_day, the_day, None, None)
        moment = datetime.fromisoformat(text)
        return _Parts(the_day, the_day, moment, found["offset"])
    except ValueError:
        raise ValueError(f"{text[:40]!r} is not a year, month, day or instant: there is no such day") from None


@lru_cache(maxsize=65536)
def _bounds_in(text: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    parts = _parts_of(text)
    if parts.moment is None:
        return (
            datetime.combine(parts.earliest, time.min),
            datetime.combine(parts.latest, time(23, 59, 59)),
        )
    moment = parts.moment
    if moment.tzinfo is not None:
        moment = moment.astimezone(zone).replace(tzinfo=None)
    # A minute without seconds could be any second of it; that does not matter to anybody, so it is the first.
    return moment, moment


def day_of(instant: str, zone: ZoneInfo) -> date:
    """The day in `zone` on which an instant with an offset fell."""
    return datetime.fromisoformat(instant).astimezone(zone).date()


def instant_text(moment: datetime) -> str:
    """An instant as the ledger writes it: UTC, microseconds, `Z`. Sorts as text in the order of time."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")[:-6] + "Z"


def age_words(since: date, until: date) -> str:
    """How long ago, in the ward's words: days below two weeks, weeks below three months, then months, then years.

    >>> age_words(date(2024, 1, 1), date(2024, 1, 10)), age_words(date(2024, 1, 1), date(2026, 3, 1))
    ('9 days', '2 years 2 months')
    """
    days = (until - since).days
    if days < 14:
        return _counted(days, "day")
    if days < 92:
        return _counted(days // 7, "week")
    months = (until.year - since.year) * 12 + until.month - since.month - (until.day < since.day)
    if months < 24:
        return _counted(months, "month")
    years, rest = divmod(months, 12)
    return _counted(years, "year") + (f" {_counted(rest, 'month')}" if rest else "")


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def days_between(first: date, second: date) -> int:
    """Whole days from the first to the second; negative if the second comes before."""
    return (second - first) // timedelta(days=1)
