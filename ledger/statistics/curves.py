"""Survival curves, competing risks, tests between groups and recurrent events, on arrays of days.

Nothing in here knows what an access is: days, whether something happened, and from which day somebody was watched.
Conventions that change results, all of them the usual ones: an event on the day of a censoring comes first; whoever
enters on a day is at risk from the next day on; beyond the last day on which anybody was watched a curve says nothing.

Sources of the formulas (from memory): Kaplan and Meier 1958; Greenwood 1926; Brookmeyer and Crowley 1982 for the
median's interval; Aalen and Johansen 1978 with the delta-method variance (Marubini and Valsecchi); Gray 1988;
Lawless and Nadeau 1995 for recurrent events. Checked against lifelines, statsmodels and R's survival and cmprsk in
`tests/statistics`.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    # Only mypy reads these, and they take longer to load than a unit's curve to draw.
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

IntervalKind = Literal["log-log", "log", "plain"]

_SAME = 1e-12
"""Two survival probabilities that differ by less are the same; sums of fractions do not meet a half exactly."""


@dataclass(frozen=True)
class Estimate:
    """A curve on a day: the share, its standard error, its interval, and how many were at risk on that day."""

    day: float
    share: float
    se: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True)
class Median:
    """The first day on which half or less is left, and the interval; None where the curve does not get there."""

    day: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class RestrictedMean:
    """The mean number of days up to `until`, its standard error and its interval."""

    until: float
    days: float
    se: float
    low: float
    high: float


@dataclass(frozen=True)
class _Watched:
    """Who was watched from when to when, sorted once so that the number at risk on any day is two look-ups."""

    entered: Floats
    left: Floats

    def at_risk(self, days: ArrayLike) -> Ints:
        """How many were watched just before these days."""
        asked = np.asarray(days, dtype=float)
        came = np.searchsorted(self.entered, asked, side="left")
        went = np.searchsorted(self.left, asked, side="left")
        return (came - went).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Curve:
    """Kaplan-Meier: one row for each day on which something happened.

    `se` is Greenwood's; `low` and `high` hold the interval of `interval` at `level`. Where a curve has come down to 0
    its error and its interval are not defined (nan).
    """

    day: Floats
    at_risk: Ints
    events: Ints
    surviving: Floats
    se: Floats
    low: Floats
    high: Floats
    n: int
    last_day: float
    interval: IntervalKind
    level: float
    watched: _Watched = field(repr=False)
    censored_on: Floats = field(repr=False)

    @property
    def total_events(self) -> int:
        return int(self.events.sum())

    @property
    def steps(self) -> list[Step]:
        """The curve row by row, as it is printed."""
        return [
            Step(float(day), int(at_risk), int(events), float(left), float(se), float(low), float(high))
            for day, at_risk, events, left, se, low, high in zip(
                self.day, self.at_risk, self.events, self.surviving, self.se, self.low, self.high, strict=True
            )
        ]

    def at(self, day: float) -> Estimate | None:
        """The curve on a day; None beyond the last day on which anybody was watched, unless nothing was left then."""
        place = int(np.searchsorted(self.day, day, side="right")) - 1
        share = 1.0 if place < 0 else float(self.surviving[place])
        if self.n == 0 or (day > self.last_day and share > 0):
            return None
        at_risk = int(self.watched.at_risk(day))
        if place < 0:
            return Estimate(day, 1.0, 0.0, 1.0, 1.0, at_risk)
        return Estimate(day, share, float(self.se[place]), float(self.low[place]), float(self.high[place]), at_risk)

    @property
    def median(self) -> Median:
        """The first day with a half or less; its interval where the limits of the curve cross a half."""
        return self.quantile(0.5)

    def quantile(self, share: float) -> Median:
        """The first day with `share` or less still surviving, and the interval (Brookmeyer and Crowley)."""
        return Median(
            _first(self.day, self.surviving <= share + _SAME),
            _first(self.day, self.low <= share + _SAME),
            _first(self.day, self.high <= share + _SAME),
        )

    def restricted_mean(self, until: float) -> RestrictedMean | None:
        """The area under the curve up to `until`; None where the curve does not reach so far."""
        if self.n == 0 or (until > self.last_day and (not len(self.day) or self.surviving[-1] > 0)):
            return None
        within = self.day < until
        edges = np.concatenate(([0.0], self.day[within], [float(until)]))
        heights = np.concatenate(([1.0], self.surviving[within]))
        areas = np.diff(edges) * heights
        # The area to the right of each event, which is what that event puts in doubt.
        right = np.cumsum(areas[::-1])[::-1][1:]
        at_risk, events = self.at_risk[within].astype(float), self.events[within].astype(float)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            doubt = np.where(at_risk > events, events / (at_risk * (at_risk - events)), 0.0)
        se = float(np.sqrt((right**2 * doubt).sum()))
        mean = float(areas.sum())
        z = _z(self.level)
        return RestrictedMean(float(until), mean, se, max(0.0, mean - z * se), min(float(until), mean + z * se))

    @property
    def emptied_early(self) -> float | None:
        """The first day on which the few then watched all failed though others came under watch later; None if none.

        With late entries such a day takes the curve to 0 for good and says little.
        """
        gone = self.day[self.events == self.at_risk]
        if not len(gone):
            return None
        first = float(gone[0])
        return first if bool((self.watched.entered > first - 1e-9).any()) else None


@dataclass(frozen=True)
class Step:
    """One row of a curve."""

    day: float
    at_risk: int
    events: int
    surviving: float
    se: float
    low: float
    high: float


def kaplan_meier(
    days: ArrayLike,
    happened: ArrayLike,
    entered: ArrayLike | None = None,
    *,
    interval: IntervalKind = "log-log",
    level: float = 0.95,
) -> Curve:
    """The product-limit estimate: `days` from start to end, whether the event `happened` then, `entered` days after.

    Four accesses: one fails on day 30, one leaves follow-up on day 60 still
    patent, one fails on day 90, one is still patent on day 120.

    >>> curve = kaplan_meier([30, 60, 90, 120], [True, False, True, False])
    >>> for step in curve.steps:
    ...     print(f"{step.day:.0f} {step.at_risk} at risk {step.surviving:.3f}")
    30 4 at risk 0.750
    90 2 at risk 0.375
    """
    left, events, came = _checked(days, happened, entered)
    watched = _Watched(np.sort(came), np.sort(left))
    day, count = _distinct(left[events])
    at_risk = watched.at_risk(day)
    surviving: Floats = np.cumprod(1.0 - count / at_risk.astype(np.float64)).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        greenwood = np.cumsum(count / (at_risk * (at_risk - count).astype(np.float64)))
        se = np.where(surviving > 0, surviving * np.sqrt(greenwood), np.nan)
        low, high = _interval(surviving, greenwood, interval, _z(level))
    return Curve(
        day=day,
        at_risk=at_risk,
        events=count.astype(np.int64),
        surviving=surviving,
        se=se,
        low=low,
        high=high,
        n=len(left),
        last_day=float(left.max()) if len(left) else 0.0,
        interval=interval,
        level=level,
        watched=watched,
        censored_on=np.sort(left[~events]),
    )


def _interval(surviving: NDArray[Any], greenwood: NDArray[Any], kind: IntervalKind, z: float) -> tuple[Floats, Floats]:
    root = np.sqrt(greenwood)
    if kind == "log-log":
        # On the scale of log(-log S), where the limits cannot leave 0 and 1.
        spread = np.exp(z * root / np.abs(np.log(surviving)))
        low, high = surviving**spread, surviving ** (1 / spread)
    elif kind == "log":
        low, high = surviving * np.exp(-z * root), np.minimum(1.0, surviving * np.exp(z * root))
    else:
        low = np.maximum(0.0, surviving - z * surviving * root)
        high = np.minimum(1.0, surviving + z * surviving * root)
    known = surviving > 0
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


# --- Tests between groups -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GroupCount:
    """One group of a test: how many, how many events were seen and how many expected if all groups were alike."""

    name: str
    n: int
    observed: float
    expected: float


@dataclass(frozen=True)
class GroupTest:
    """A test that groups do not differ: chi-square, degrees of freedom, p."""

    name: str
    statistic: float
    degrees: int
    p: float
    groups: tuple[GroupCount, ...]


def log_rank(
    days: ArrayLike, happened: ArrayLike, group: Sequence[str], entered: ArrayLike | None = None
) -> GroupTest | None:
    """The log-rank test between groups; None where there are fewer than two groups, or nothing happened."""
    left, events, came = _checked(days, happened, entered)
    names, which = _grouped(group)
    if len(names) < 2 or not events.any():
        return None
    day, _ = _distinct(left[events])
    deaths = np.zeros((len(day), len(names)))
    np.add.at(deaths, (np.searchsorted(day, left[events]), which[events]), 1)
    at_risk = np.column_stack(
        [
            _Watched(np.sort(came[which == place]), np.sort(left[which == place])).at_risk(day)
            for place in range(len(names))
        ]
    ).astype(float)
    dead, watched = deaths.sum(axis=1), at_risk.sum(axis=1)
    share = at_risk / watched[:, None]
    expected = (dead[:, None] * share).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        weight = np.where(watched > 1, dead * (watched - dead) / (watched - 1), 0.0)
    covariance = np.diag((weight[:, None] * share).sum(axis=0)) - (weight[:, None, None] * _outer(share)).sum(axis=0)
    observed = deaths.sum(axis=0)
    return _group_test("log-rank", names, which, observed, expected, covariance)


def gray(days: ArrayLike, cause: ArrayLike, group: Sequence[str], *, of: int = 1) -> GroupTest | None:
    """Gray's test that the cumulative incidence of cause `of` is the same in all groups (Gray 1988, rho 0).

    It compares hazards of the subdistribution: whoever had another event first stays at risk. The risk set of a group
    is Y (1 - F) / S just before a day, with Y those watched, F the incidence of the cause and S the share free of any
    event; observed and expected events are then those of a log-rank test over such risk sets.

    The variance is Gray's, for one incidence F0 that holds in every group, with the correction for several events on
    one day that R's cmprsk makes. It takes every row for a witness of its own; of several accesses of one patient the
    caller warns. Not defined for late entries. None where there are fewer than two groups, or nothing happened.
    """
    left = np.asarray(days, dtype=float)
    causes = np.asarray(cause, dtype=np.int64)
    names, which = _grouped(group)
    main, other = causes == of, (causes != of) & (causes != 0)
    if len(names) < 2 or not main.any():
        return None
    # One row for each day with an event of any cause, one column for each group.
    day, _ = _distinct(left[causes != 0])
    mine, theirs, watched = (np.zeros((len(day), len(names))) for _ in range(3))
    np.add.at(mine, (np.searchsorted(day, left[main]), which[main]), 1)
    np.add.at(theirs, (np.searchsorted(day, left[other]), which[other]), 1)
    for place in range(len(names)):
        members = np.sort(left[which == place])
        watched[:, place] = len(members) - np.searchsorted(members, day, side="left")
    is_watched = watched > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        free = np.cumprod(np.where(is_watched, 1.0 - (mine + theirs) / watched, 1.0), axis=0).astype(np.float64)
        free_before = _a_day_before(free, 1.0)
        share_before = _a_day_before(np.cumsum(np.where(is_watched, free_before * mine / watched, 0.0), axis=0), 0.0)
        # Y / S estimates how many of a group were watched or would still be, had they not had an event.
        undone = np.where(is_watched, watched / free_before, 0.0)
    risk = undone * (1.0 - share_before)
    events = mine.sum(axis=1)
    expected = (events[:, None] * risk / risk.sum(axis=1)[:, None]).sum(axis=0)
    observed = mine.sum(axis=0)

    # Under the hypothesis: the common incidence F0, a(t) of Gray's section 2 and C(t), its integral by dF0 / (1 - F0).
    all_undone = undone.sum(axis=1)
    step = events / all_undone
    common = np.cumsum(step)
    common_before = _a_day_before(common[:, None], 0.0)
    part = undone[:, :, None] * (np.eye(len(names)) - (undone / all_undone[:, None])[:, None, :])
    so_far = np.cumsum(part * (step[:, None] / (1.0 - common_before))[:, :, None], axis=0)
    to_come = so_far[-1] - so_far
    with np.errstate(divide="ignore", invalid="ignore"):
        still = np.where(free > 0, (1.0 - common)[:, None] / free, 0.0)
        # Of several events on one day, each but the first leaves the variance a little smaller.
        tied = np.where(events[:, None] > 1, (events[:, None] - 1.0) / (all_undone[:, None] * free_before - 1.0), 0.0)
        own_weight = np.where(is_watched, (1.0 - tied) * step[:, None] / undone, 0.0)
        tied = np.where(theirs > 1, (theirs - 1.0) / (watched - 1.0), 0.0)
        other_weight = np.where(is_watched & (free > 0), (1.0 - tied) * theirs / undone**2, 0.0)
    own = part + (1.0 - still)[:, None, :] * to_come
    others = still[:, None, :] * to_come
    covariance = np.einsum("tik,tjk,tk->ij", own, own, own_weight) + np.einsum(
        "tik,tjk,tk->ij", others, others, other_weight
    )
    return _group_test("Gray's test", names, which, observed, expected, covariance)


def _group_test(
    name: str, names: Sequence[str], which: Ints, observed: Floats, expected: Floats, covariance: Floats
) -> GroupTest:
    """The test of observed less expected counts of groups, which add up to nought, against their covariance."""
    statistic, degrees = _quadratic(observed - expected, covariance)
    return GroupTest(
        name,
        statistic,
        degrees,
        _chi_square_tail(statistic, degrees),
        tuple(
            GroupCount(group, int((which == place).sum()), float(observed[place]), float(expected[place]))
            for place, group in enumerate(names)
        ),
    )


def _a_day_before(values: Floats, first: float) -> Floats:
    """What stood just before each day: the row before, and `first` before the first day."""
    return np.vstack((np.full((1, values.shape[1]), first), values[:-1]))


# --- Competing risks ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Incidence:
    """Aalen-Johansen: how likely each cause came first, by each day. One row a day, one column a cause."""

    causes: tuple[str, ...]
    day: Floats
    at_risk: Ints
    events: Ints
    surviving: Floats
    share: Floats
    se: Floats
    low: Floats
    high: Floats
    n: int
    last_day: float
    level: float
    watched: _Watched = field(repr=False)

    def at(self, day: float, cause: str) -> Estimate | None:
        """The cumulative incidence of a cause by a day; None beyond the last day on which anybody was watched."""
        if self.n == 0 or (day > self.last_day and (not len(self.day) or self.surviving[-1] > _SAME)):
            return None
        column = self.causes.index(cause)
        place = int(np.searchsorted(self.day, day, side="right")) - 1
        at_risk = int(self.watched.at_risk(day))
        if place < 0:
            return Estimate(day, 0.0, 0.0, 0.0, 0.0, at_risk)
        return Estimate(
            day,
            float(self.share[place, column]),
            float(self.se[place, column]),
            float(self.low[place, column]),
            float(self.high[place, column]),
            at_risk,
        )

    def median(self, cause: str) -> Median:
        """The first day by which a cause has come first in half or more, and the interval."""
        column = self.causes.index(cause)
        return Median(
            _first(self.day, self.share[:, column] >= 0.5 - _SAME),
            _first(self.day, self.high[:, column] >= 0.5 - _SAME),
            _first(self.day, self.low[:, column] >= 0.5 - _SAME),
        )


def aalen_johansen(
    days: ArrayLike,
    cause: ArrayLike,
    causes: Sequence[str],
    entered: ArrayLike | None = None,
    *,
    level: float = 0.95,
) -> Incidence:
    """Cumulative incidence: `cause` is 0 for a censoring and 1, 2, … for the first, second, … of `causes`.

    Two fail, one dies in between, one is still patent:

    >>> found = aalen_johansen([10, 20, 30, 40], [1, 2, 1, 0], ["lost", "death"])
    >>> [round(float(share), 3) for share in found.share[-1]], round(float(found.surviving[-1]), 3)
    ([0.5, 0.25], 0.25)
    """
    which = np.asarray(cause, dtype=np.int64)
    left, events, came = _checked(days, which > 0, entered)
    watched = _Watched(np.sort(came), np.sort(left))
    day, _ = _distinct(left[events])
    counts = np.zeros((len(day), len(causes)), dtype=np.int64)
    np.add.at(counts, (np.searchsorted(day, left[events]), which[events] - 1), 1)
    at_risk = watched.at_risk(day)
    n = at_risk.astype(float)[:, None]
    total = counts.sum(axis=1).astype(float)
    surviving = np.cumprod(1.0 - total / at_risk)
    before = np.concatenate(([1.0], surviving))[:-1][:, None]
    share = np.cumsum(before * counts / n, axis=0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        greenwood = np.where(at_risk > total, total / (at_risk * (at_risk - total)), 0.0)[:, None]
        own = before**2 * counts * (n - counts) / n**3
        cross = before * counts / n**2
        # Σ (F(t) - F(s))² a(s) + Σ b(s) - 2 Σ (F(t) - F(s)) c(s), with the squares multiplied out.
        variance = (
            share**2 * np.cumsum(greenwood, axis=0)
            - 2 * share * np.cumsum(share * greenwood, axis=0)
            + np.cumsum(share**2 * greenwood, axis=0)
            + np.cumsum(own, axis=0)
            - 2 * share * np.cumsum(cross, axis=0)
            + 2 * np.cumsum(share * cross, axis=0)
        )
        se = np.sqrt(np.maximum(variance, 0.0))
        spread = np.exp(_z(level) * se / (share * np.abs(np.log(share))))
        inside = (share > 0) & (share < 1)
        low = np.where(inside, share**spread, share)
        high = np.where(inside, share ** (1 / spread), share)
    return Incidence(
        causes=tuple(causes),
        day=day,
        at_risk=at_risk,
        events=counts,
        surviving=surviving,
        share=share,
        se=se,
        low=low,
        high=high,
        n=len(left),
        last_day=float(left.max()) if len(left) else 0.0,
        level=level,
        watched=watched,
    )


# --- Recurrent events ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class MeanCount:
    """Mean cumulative number of events an access: one row for each day on which something happened.

    The standard error is robust: it sums within clusters (patients) first, so repeated events of one patient and
    several accesses of one patient do not make it look surer than it is.
    """

    day: Floats
    at_risk: Ints
    events: Ints
    mean: Floats
    n: int
    last_day: float
    level: float
    watched: _Watched = field(repr=False)
    _came: Floats = field(repr=False)
    _left: Floats = field(repr=False)
    _cluster: Ints = field(repr=False)
    _event_day: Floats = field(repr=False)
    _event_cluster: Ints = field(repr=False)

    def at(self, day: float) -> Estimate | None:
        """The mean number by a day with a robust interval; None beyond the last day on which anybody was watched."""
        if day > self.last_day or self.n == 0:
            return None
        place = int(np.searchsorted(self.day, day, side="right")) - 1
        at_risk = int(self.watched.at_risk(day))
        if place < 0:
            return Estimate(day, 0.0, 0.0, 0.0, 0.0, at_risk)
        mean = float(self.mean[place])
        se = self._robust_se(place)
        spread = np.exp(_z(self.level) * se / mean)
        return Estimate(day, mean, se, float(mean / spread), float(mean * spread), at_risk)

    def _robust_se(self, place: int) -> float:
        day = self.day[: place + 1]
        at_risk = self.at_risk[: place + 1].astype(float)
        until = float(day[-1])
        mine = self._event_day <= until
        clusters = int(self._cluster.max()) + 1
        seen = np.bincount(
            self._event_cluster[mine],
            weights=1.0 / at_risk[np.searchsorted(day, self._event_day[mine])],
            minlength=clusters,
        )
        rate = np.concatenate(([0.0], np.cumsum(self.events[: place + 1] / at_risk**2)))
        # Days of events after entering and up to leaving.
        expected = (
            rate[np.searchsorted(day, np.minimum(self._left, until), side="right")]
            - rate[np.searchsorted(day, np.minimum(self._came, until), side="right")]
        )
        wanted = np.bincount(self._cluster, weights=expected, minlength=clusters)
        return float(np.sqrt(((seen - wanted) ** 2).sum()))


def mean_cumulative_count(
    left: ArrayLike,
    cluster: Sequence[Hashable],
    event_days: ArrayLike,
    event_clusters: Sequence[Hashable],
    entered: ArrayLike | None = None,
    *,
    level: float = 0.95,
) -> MeanCount:
    """The mean cumulative function: each row is watched from `entered` to `left`; events come any number of times.

    Three accesses watched for 100, 200 and 300 days; one treated on days 50 and 150, one on day 150:

    >>> found = mean_cumulative_count([100, 200, 300], ["a", "b", "c"], [50, 150, 150], ["b", "b", "c"])
    >>> [round(float(mean), 3) for mean in found.mean]
    [0.333, 1.333]
    """
    gone, _, came = _checked(left, np.zeros(len(np.asarray(left)), dtype=bool), entered)
    on = np.asarray(event_days, dtype=float)
    watched = _Watched(np.sort(came), np.sort(gone))
    day, count = _distinct(on)
    at_risk = watched.at_risk(day)
    assert bool((at_risk > 0).all()), "an event on a day on which nobody was watched"
    numbers: dict[Hashable, int] = {}
    for name in cluster:
        numbers.setdefault(name, len(numbers))
    return MeanCount(
        day=day,
        at_risk=at_risk,
        events=count.astype(np.int64),
        mean=np.cumsum(count / at_risk),
        n=len(gone),
        last_day=float(gone.max()) if len(gone) else 0.0,
        level=level,
        watched=watched,
        _came=came,
        _left=gone,
        _cluster=np.fromiter((numbers[name] for name in cluster), dtype=np.int64, count=len(cluster)),
        _event_day=on,
        _event_cluster=np.fromiter(
            (numbers[name] for name in event_clusters), dtype=np.int64, count=len(event_clusters)
        ),
    )


# --- Rates and shares ---------------------------------------------------------------------------------------------


def exact_poisson(count: int, level: float = 0.95) -> tuple[float, float]:
    """The exact interval of a Poisson count: chi2(a/2, 2x)/2 and chi2(1-a/2, 2x+2)/2.

    >>> [round(limit, 4) for limit in exact_poisson(3)]
    [0.6187, 8.7673]
    """
    from scipy.special import gammaincinv

    tail = (1 - level) / 2
    # Half the quantile of a chi-square with 2k degrees of freedom is the quantile of a gamma with shape k.
    low = float(gammaincinv(count, tail)) if count else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def exact_binomial(count: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share (Clopper and Pearson).

    >>> [round(limit, 4) for limit in exact_binomial(0, 10)]
    [0.0, 0.3085]
    """
    from scipy.special import betaincinv

    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, tail))
    high = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1 - tail))
    return low, high


def robust_rate_interval(
    counts: ArrayLike, exposures: ArrayLike, cluster: Sequence[Hashable], level: float = 0.95
) -> tuple[float, float] | None:
    """The interval of a rate where events repeat within a patient: sums within clusters, on the log scale.

    None where nothing happened or there is one cluster only: then nothing can be said about how they differ.
    """
    pairs = _summed_by(np.column_stack((np.asarray(counts, dtype=float), np.asarray(exposures, dtype=float))), cluster)
    events, time = pairs[:, 0], pairs[:, 1]
    if events.sum() == 0 or len(events) < 2:
        return None
    rate = events.sum() / time.sum()
    se = np.sqrt(((events - rate * time) ** 2).sum() * len(events) / (len(events) - 1)) / events.sum()
    spread = float(np.exp(_z(level) * se))
    return float(rate / spread), float(rate * spread)


def poisson_limits(expected: float, tail: float) -> tuple[int, int]:
    """The smallest counts k with P(X ≤ k) ≥ tail and ≥ 1 - tail, X Poisson with this mean."""
    from scipy.special import pdtr

    return _first_count(lambda k: float(pdtr(k, expected)), tail), _first_count(
        lambda k: float(pdtr(k, expected)), 1 - tail
    )


def binomial_limits(of: int, share: float, tail: float) -> tuple[int, int]:
    """The smallest counts k with P(X ≤ k) ≥ tail and ≥ 1 - tail, X binomial."""
    from scipy.special import bdtr

    return _first_count(lambda k: float(bdtr(min(k, of), of, share)), tail), _first_count(
        lambda k: float(bdtr(min(k, of), of, share)), 1 - tail
    )


def _first_count(below: Any, wanted: float) -> int:
    high = 1
    while below(high) < wanted:
        high *= 2
    low = -1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if below(middle) >= wanted else (middle, high)
    return high


# --- Small helpers ------------------------------------------------------------------------------------------------


def _checked(
    days: ArrayLike, happened: ArrayLike, entered: ArrayLike | None
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    left = np.asarray(days, dtype=float)
    events = np.asarray(happened, dtype=bool)
    assert left.shape == events.shape, "days and events are of one length"
    assert not len(left) or float(left.min()) >= 0, "nothing ends before it starts"
    if entered is None:
        # Watched from the start: at risk on day 0 too, when a first operation fails on the table.
        return left, events, np.full(len(left), -1.0)
    came = np.asarray(entered, dtype=float)
    assert came.shape == left.shape, "each has a day from which it was watched"
    assert bool(((came < left) | (came <= 0)).all()), "whoever leaves before being watched was never watched"
    return left, events, np.where(came > 0, came, -1.0)


def _distinct(days: Floats) -> tuple[Floats, Ints]:
    """The days in order, each once, and how often each came. `numpy.unique` would load masked arrays for it."""
    if not len(days):
        return np.zeros(0), np.zeros(0, dtype=np.int64)
    ordered = np.sort(days)
    first = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    return ordered[first], np.diff(np.concatenate((first, [len(ordered)]))).astype(np.int64)


def _first(days: Floats, where: NDArray[np.bool_]) -> float | None:
    found = np.flatnonzero(where)
    return float(days[found[0]]) if len(found) else None


def _grouped(group: Sequence[str]) -> tuple[list[str], Ints]:
    """The names of the groups in order, and for each member the place of its group."""
    names, which = np.unique(np.asarray(group, dtype=object).astype(str), return_inverse=True)
    return [str(name) for name in names], which.astype(np.int64)


def _outer(share: Floats) -> Floats:
    return share[:, :, None] * share[:, None, :]


def _summed_by(values: Floats, cluster: Sequence[Hashable]) -> Floats:
    numbers: dict[Hashable, int] = {}
    place = np.fromiter((numbers.setdefault(name, len(numbers)) for name in cluster), dtype=np.int64)
    summed = np.zeros((len(numbers), values.shape[1]))
    np.add.at(summed, place, values)
    return summed


def _quadratic(score: Floats, covariance: Floats) -> tuple[float, int]:
    """The score against its covariance, leaving out the last group, which the others determine."""
    short, matrix = score[:-1], covariance[:-1, :-1]
    degrees = int(np.linalg.matrix_rank(matrix))
    if degrees == 0:
        return 0.0, 0
    return float(short @ np.linalg.pinv(matrix) @ short), degrees


def _chi_square_tail(statistic: float, degrees: int) -> float:
    from scipy.special import chdtrc

    return 1.0 if degrees == 0 else float(chdtrc(degrees, statistic))


def _z(level: float) -> float:
    return NormalDist().inv_cdf(0.5 + level / 2)
