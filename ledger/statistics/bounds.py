"""What others published, to stand beside one's own numbers: named as other people's populations, never as a target.

The numbers stand in `bounds.toml` with their source. A published share that differs from one's own says nothing by
itself: patients differ, definitions differ, and whether primary failures are in the denominator changes results more
than most treatments do.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

from ledger.vocabulary import AccessKind

SAID = "other people's populations, never a target"


@dataclass(frozen=True, kw_only=True)
class Published:
    """One published number: a share on a day, a median or a rate."""

    study: str
    population: str
    value: float
    low: float | None
    high: float | None
    unit: str
    source: str
    day: int | None = None
    failures: str | None = None

    def __str__(self) -> str:
        limits = "" if self.low is None else f" ({self.low:g}-{self.high:g})"
        when = "" if self.day is None else f" on day {self.day}"
        failures = "" if self.failures is None else f"; primary failures: {self.failures}"
        return f"{self.value:g}{limits} {self.unit}{when}: {self.study}, {self.population}{failures}. {self.source}"

    def to_json(self) -> dict[str, Any]:
        return {
            "study": self.study,
            "population": self.population,
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "unit": self.unit,
            "day": self.day,
            "failures": self.failures,
            "source": self.source,
            "said": SAID,
        }


def curves_published(definition: str, kind: AccessKind | None = None, day: int | None = None) -> tuple[Published, ...]:
    """Shares published under a definition, for a kind of access and a day or for any; medians among them."""
    found = []
    for one in _held()["curve"]:
        if one["definition"] != definition or (kind is not None and kind.value not in one["kinds"]):
            continue
        for point in one["points"]:
            if day is None or point["day"] == day:
                found.append(
                    Published(
                        study=one["study"],
                        population=one["population"],
                        value=float(point["share"]),
                        low=point.get("low"),
                        high=point.get("high"),
                        unit="%",
                        day=point["day"],
                        failures=one["failures"],
                        source=_source(one),
                    )
                )
    if day is None:
        for one in _held()["median"]:
            if one["definition"] == definition and (kind is None or kind.value in one["kinds"]):
                found.append(
                    Published(
                        study=one["study"],
                        population=one["population"],
                        value=float(one["months"]),
                        low=None,
                        high=None,
                        unit="months, median",
                        source=_source(one),
                    )
                )
    return tuple(found)


def rates_published(what: str, among: str, per: str | None = None) -> tuple[Published, ...]:
    """Rates published of one thing among one sort of access; `per` as in `100 patient-months`, or any."""
    return tuple(
        Published(
            study=one["study"],
            population=one["population"],
            value=float(one["rate"]),
            low=one.get("low"),
            high=one.get("high"),
            unit=f"per {one['per']}",
            source=_source(one),
        )
        for one in _held()["rate"]
        if one["what"] == what and one["among"] == among and per in (None, one["per"])
    )


def _source(one: dict[str, Any]) -> str:
    return f"{one['source']} (read {one['read_on']})" if "read_on" in one else f"{one['source']} (from memory)"


@lru_cache(maxsize=1)
def _held() -> dict[str, Any]:
    return tomllib.loads(resources.files("ledger.statistics").joinpath("bounds.toml").read_text("utf-8"))
