"""Curves, tests and rates against lifelines, statsmodels, R's survival, and tables printed elsewhere."""

from __future__ import annotations

import warnings
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from ledger.statistics.curves import (
    aalen_johansen,
    binomial_limits,
    exact_binomial,
    exact_poisson,
    gray,
    kaplan_meier,
    log_rank,
    mean_cumulative_count,
    poisson_limits,
    robust_rate_interval,
)
from tests.statistics.samples import SIZES, a_sample, in_r, needs_cmprsk, needs_r

# Freireich 1963, 6-mercaptopurine against placebo, weeks in remission. The data are from memory; their totals (42
# people, 30 relapses, 541 person-weeks) were compared with grodri.github.io/survival/gehan on 2026-11-24.
SIX_MP = [
    (6, 1),
    (6, 1),
    (6, 1),
    (6, 0),
    (7, 1),
    (9, 0),
    (10, 1),
    (10, 0),
    (11, 0),
    (13, 1),
    (16, 1),
    (17, 0),
    (19, 0),
    (20, 0),
    (22, 1),
    (23, 1),
    (25, 0),
    (32, 0),
    (32, 0),
    (34, 0),
    (35, 0),
]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def six_mp(interval: str = "log-log"):
    return kaplan_meier([day for day, _ in SIX_MP], [seen for _, seen in SIX_MP], interval=interval)


def test_the_sample_has_the_totals_that_are_printed_for_it():
    people = len(SIX_MP) + len(PLACEBO)
    relapses = sum(seen for _, seen in SIX_MP) + len(PLACEBO)
    weeks = sum(day for day, _ in SIX_MP) + sum(PLACEBO)

    assert (people, relapses, weeks) == (42, 30, 541)


@pytest.mark.parametrize(
    ("week", "at_risk", "events", "surviving", "se", "low", "high", "log_low", "log_high"),
    # Computed from the data above with numpy; the log intervals are the default of R's survfit.
    [
        (6, 21, 3, 0.8571, 0.0764, 0.6197, 0.9516, 0.7198, 1.0000),
        (7, 17, 1, 0.8067, 0.0869, 0.5631, 0.9228, 0.6531, 0.9964),
        (10, 15, 1, 0.7529, 0.0963, 0.5032, 0.8894, 0.5859, 0.9676),
        (13, 12, 1, 0.6902, 0.1068, 0.4316, 0.8491, 0.5096, 0.9348),
        (16, 11, 1, 0.6275, 0.1141, 0.3675, 0.8049, 0.4394, 0.8960),
        (22, 7, 1, 0.5378, 0.1282, 0.2678, 0.7468, 0.3370, 0.8582),
        (23, 6, 1, 0.4482, 0.1346, 0.1881, 0.6801, 0.2488, 0.8074),
    ],
)
def test_a_printed_row_of_the_textbook_curve(week, at_risk, events, surviving, se, low, high, log_low, log_high):
    row = next(step for step in six_mp().steps if step.day == week)
    log_row = next(step for step in six_mp("log").steps if step.day == week)

    assert (row.at_risk, row.events) == (at_risk, events)
    assert_allclose([row.surviving, row.se, row.low, row.high], [surviving, se, low, high], atol=5e-5)
    assert_allclose([log_row.low, log_row.high], [log_low, log_high], atol=5e-5)


def test_the_printed_rows_of_the_placebo_curve():
    # Printed at data.princeton.edu/eco572/KaplanMeier.html, read 2026-11-24; those intervals are log-log.
    first, second = kaplan_meier(PLACEBO, [True] * 21).steps[:2]

    assert_allclose([first.surviving, first.se, first.low, first.high], [0.9048, 0.0641, 0.6700, 0.9753], atol=5e-5)
    assert_allclose([second.surviving, second.se, second.low, second.high], [0.8095, 0.0857, 0.5689, 0.9239], atol=5e-5)


def test_a_censoring_on_the_day_of_an_event_is_still_at_risk_for_it():
    week_six = six_mp().steps[0]

    assert (week_six.day, week_six.at_risk, week_six.events) == (6, 21, 3)


def test_the_textbook_medians():
    assert six_mp().median.day == 23
    assert kaplan_meier(PLACEBO, [True] * 21).median.day == 8


def test_the_textbook_log_rank():
    # Chi-square 16.79 and 19.25 expected were computed from the data; 16.8 is recalled from print.
    days = [day for day, _ in SIX_MP] + PLACEBO
    seen = [seen for _, seen in SIX_MP] + [1] * 21

    found = log_rank(days, seen, ["6-MP"] * 21 + ["placebo"] * 21)

    assert found is not None
    assert found.statistic == pytest.approx(16.79, abs=0.005)
    assert found.degrees == 1
    assert found.groups[0].observed == 9
    assert found.groups[0].expected == pytest.approx(19.25, abs=0.005)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("seed", [1, 2])
def test_the_curve_agrees_with_lifelines(size, seed):
    from lifelines import KaplanMeierFitter

    sample = a_sample(size, seed)
    theirs = KaplanMeierFitter().fit(sample.days, sample.happened)

    ours = kaplan_meier(sample.days, sample.happened)

    table = theirs.event_table
    on_events = table[table["observed"] > 0].index
    assert list(ours.day) == list(on_events)
    assert list(ours.at_risk) == list(table.loc[on_events, "at_risk"])
    assert_allclose(ours.surviving, theirs.survival_function_.loc[on_events].iloc[:, 0], rtol=0, atol=1e-10)
    limits = theirs.confidence_interval_.loc[on_events]
    assert_allclose(np.column_stack((ours.low, ours.high)), limits, rtol=0, atol=1e-8)
    assert ours.median.day is None or ours.median.day == theirs.median_survival_time_


@pytest.mark.parametrize("size", SIZES)
def test_the_curve_and_its_greenwood_error_agree_with_statsmodels(size):
    from statsmodels.duration.survfunc import SurvfuncRight

    sample = a_sample(size, 3)
    theirs = SurvfuncRight(sample.days, sample.happened.astype(int))

    ours = kaplan_meier(sample.days, sample.happened)

    assert list(ours.day) == list(theirs.surv_times)
    assert list(ours.at_risk) == list(theirs.n_risk)
    assert_allclose(ours.surviving, theirs.surv_prob, rtol=0, atol=1e-10)
    assert_allclose(ours.se, theirs.surv_prob_se, rtol=0, atol=1e-10)


@pytest.mark.parametrize("size", SIZES)
def test_the_curve_with_late_entries_agrees_with_statsmodels(size):
    from statsmodels.duration.survfunc import SurvfuncRight

    sample = a_sample(size, 4)
    keep = sample.entered < sample.days
    days, happened, entered = sample.days[keep], sample.happened[keep], sample.entered[keep]
    theirs = SurvfuncRight(days, happened.astype(int), entry=entered)

    ours = kaplan_meier(days, happened, entered)

    on_events = [place for place, count in enumerate(theirs.n_events) if count > 0]
    assert list(ours.day) == list(np.asarray(theirs.surv_times)[on_events])
    assert list(ours.at_risk) == list(np.asarray(theirs.n_risk)[on_events])
    assert_allclose(ours.surviving, np.asarray(theirs.surv_prob)[on_events], rtol=0, atol=1e-10)


@pytest.mark.parametrize("size", SIZES)
def test_the_log_rank_of_three_groups_agrees_with_lifelines_and_statsmodels(size):
    from lifelines.statistics import multivariate_logrank_test
    from statsmodels.duration.survfunc import survdiff

    sample = a_sample(size, 5)
    theirs = multivariate_logrank_test(sample.days, sample.group, sample.happened)
    also_theirs = survdiff(sample.days, sample.happened.astype(int), sample.group)

    ours = log_rank(sample.days, sample.happened, sample.group)

    assert ours is not None
    assert ours.degrees == 2
    assert_allclose(ours.statistic, theirs.test_statistic, rtol=1e-8)
    assert_allclose(ours.p, theirs.p_value, rtol=1e-8)
    assert_allclose(ours.statistic, also_theirs[0], rtol=1e-8)
    assert_allclose(ours.p, also_theirs[1], rtol=0, atol=1e-8)


@pytest.mark.parametrize("size", SIZES)
def test_the_restricted_mean_agrees_with_lifelines(size):
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    sample = a_sample(size, 6)
    theirs = restricted_mean_survival_time(KaplanMeierFitter().fit(sample.days, sample.happened), t=300)

    ours = kaplan_meier(sample.days, sample.happened).restricted_mean(300)

    assert ours is not None
    assert ours.days == pytest.approx(theirs, abs=1e-8)


@pytest.mark.parametrize("size", SIZES)
def test_cumulative_incidence_without_ties_agrees_with_lifelines(size):
    from lifelines import AalenJohansenFitter

    sample = a_sample(size, 7)
    # lifelines shakes ties apart at random, so here every day is its own.
    days = sample.days + np.random.default_rng(8).permutation(size) / (size + 1.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = AalenJohansenFitter().fit(days, sample.cause, event_of_interest=1)

    ours = aalen_johansen(days, sample.cause, ["lost", "death"])

    their_share = theirs.cumulative_density_.loc[ours.day].iloc[:, 0]
    their_limits = theirs.confidence_interval_.loc[ours.day]
    some = ours.share[:, 0] > 0
    assert_allclose(ours.share[:, 0], their_share, rtol=0, atol=1e-10)
    assert_allclose(ours.low[some, 0], their_limits.iloc[:, 0][some], rtol=0, atol=1e-8)
    assert_allclose(ours.high[some, 0], their_limits.iloc[:, 1][some], rtol=0, atol=1e-8)


@pytest.mark.parametrize("size", SIZES)
def test_cumulative_incidence_with_ties_agrees_with_statsmodels(size):
    from statsmodels.duration.survfunc import CumIncidenceRight

    sample = a_sample(size, 9)
    theirs = CumIncidenceRight(sample.days, sample.cause)

    ours = aalen_johansen(sample.days, sample.cause, ["lost", "death"])

    at = np.searchsorted(ours.day, theirs.times, side="right") - 1
    known = at >= 0
    for column in (0, 1):
        assert_allclose(ours.share[at[known], column], theirs.cinc[column][known], rtol=0, atol=1e-10)


@needs_r
@pytest.mark.parametrize("size", SIZES)
def test_the_curve_its_median_and_restricted_mean_agree_with_r(size):
    sample = a_sample(size, 10, last_day=1500)

    ours = kaplan_meier(sample.days, sample.happened)
    theirs = in_r(
        """
        f <- survfit(Surv(day, happened) ~ 1, d, conf.type="log-log"); k <- f$n.event > 0
        say("day", f$time[k]); say("s", f$surv[k]); say("se", (f$std.err * f$surv)[k])
        say("low", f$lower[k]); say("high", f$upper[k])
        q <- quantile(f, 0.5); say("median", c(q$quantile, q$lower, q$upper))
        m <- survival:::survmean(f, rmean=700)$matrix; say("rmean", m[c("rmean", "se(rmean)")])
        g <- survfit(Surv(day, happened) ~ 1, d, conf.type="log")
        say("log_low", g$lower[k]); say("log_high", g$upper[k])
        """,
        day=sample.days,
        happened=sample.happened.astype(int),
    )

    logged = kaplan_meier(sample.days, sample.happened, interval="log")
    assert list(ours.day) == theirs["day"]
    assert_allclose(ours.surviving, theirs["s"], rtol=0, atol=1e-10)
    assert_allclose(ours.se, theirs["se"], rtol=0, atol=1e-10)
    assert_allclose(np.column_stack((ours.low, ours.high)).T, [theirs["low"], theirs["high"]], rtol=0, atol=1e-8)
    assert_allclose(logged.low, theirs["log_low"], rtol=0, atol=1e-8)
    assert_allclose(logged.high, theirs["log_high"], rtol=0, atol=1e-8)
    assert [ours.median.day, ours.median.low, ours.median.high] == theirs["median"]
    mean = ours.restricted_mean(700)
    assert mean is not None
    assert_allclose([mean.days, mean.se], theirs["rmean"], rtol=1e-10)


@needs_r
@pytest.mark.parametrize("size", SIZES)
def test_late_entries_agree_with_r(size):
    sample = a_sample(size, 11)
    keep = sample.entered < sample.days
    days, happened, entered = sample.days[keep], sample.happened[keep], sample.entered[keep]
    group = [name for name, kept in zip(sample.group, keep, strict=True) if kept]

    ours = kaplan_meier(days, happened, entered)
    tested = log_rank(days, happened, group, entered)
    theirs = in_r(
        """
        f <- survfit(Surv(entered, day, happened) ~ 1, d, conf.type="log-log"); k <- f$n.event > 0
        say("n", f$n.risk[k]); say("s", f$surv[k]); say("low", f$lower[k]); say("high", f$upper[k])
        # R's survdiff takes no late entries; the score test of a Cox model is the same test up to its handling of ties.
        d$day2 <- d$day
        """,
        day=days,
        happened=happened.astype(int),
        entered=entered,
    )

    assert tested is not None
    assert list(ours.at_risk) == theirs["n"]
    assert_allclose(ours.surviving, theirs["s"], rtol=0, atol=1e-10)
    assert_allclose(np.column_stack((ours.low, ours.high)).T, [theirs["low"], theirs["high"]], rtol=0, atol=1e-8)


@needs_r
def test_the_log_rank_with_late_entries_agrees_with_the_score_test_of_a_cox_model_where_there_are_no_ties():
    sample = a_sample(500, 12)
    keep = sample.entered < sample.days
    # Every event on a day of its own: the two tests differ only in their handling of ties.
    days = (sample.days + np.random.default_rng(13).permutation(500) / 501.0)[keep]
    happened, entered = sample.happened[keep], sample.entered[keep]
    group = [name for name, kept in zip(sample.group, keep, strict=True) if kept]

    ours = log_rank(days, happened, group, entered)
    theirs = in_r(
        'f <- coxph(Surv(entered, day, happened) ~ factor(g), d); say("score", f$score)',
        day=days,
        happened=happened.astype(int),
        entered=entered,
        g=group,
    )

    assert ours is not None
    assert_allclose(ours.statistic, theirs["score"][0], rtol=1e-8)


@needs_r
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("late", [False, True])
def test_cumulative_incidence_agrees_with_r(size, late):
    sample = a_sample(size, 14)
    keep = sample.entered < sample.days if late else np.ones(size, dtype=bool)
    days, cause = sample.days[keep], sample.cause[keep]
    entered = sample.entered[keep] if late else np.zeros(int(keep.sum()), dtype=int)

    ours = aalen_johansen(days, cause, ["lost", "death"], entered if late else None)
    theirs = in_r(
        f"""
        d$c <- factor(d$cause, 0:2); d$id <- seq_len(nrow(d))
        f <- survfit(Surv({"entered, " if late else ""}day, c) ~ 1, d, id=id, se.fit=FALSE)
        k <- rowSums(f$n.event[, 2:3]) > 0
        say("day", f$time[k]); say("lost", f$pstate[k, 2]); say("death", f$pstate[k, 3]); say("left", f$pstate[k, 1])
        """,
        day=days,
        cause=cause,
        entered=entered,
    )

    assert list(ours.day) == theirs["day"]
    assert_allclose(ours.share.T, [theirs["lost"], theirs["death"]], rtol=0, atol=1e-10)
    assert_allclose(ours.surviving, theirs["left"], rtol=0, atol=1e-10)


IN_CMPRSK = "suppressMessages(library(cmprsk)); "


@needs_r
def test_the_standard_error_of_a_cumulative_incidence_agrees_with_r():
    # Without late entries; with them R gives a robust error, which is another one.
    sample = a_sample(500, 14)
    asked = [50, 100, 200, 300, 390]

    ours = aalen_johansen(sample.days, sample.cause, ["lost", "death"])
    theirs = in_r(
        f"""
        d$c <- factor(d$cause, 0:2); d$id <- seq_len(nrow(d))
        s <- summary(survfit(Surv(day, c) ~ 1, d, id=id), times=c({", ".join(map(str, asked))}))
        say("lost", s$std.err[, 2]); say("death", s$std.err[, 3])
        """,
        day=sample.days,
        cause=sample.cause,
    )

    for cause in ("lost", "death"):
        found = [ours.at(day, cause) for day in asked]
        assert_allclose([one.se for one in found if one is not None], theirs[cause], rtol=1e-8)


@needs_cmprsk
@pytest.mark.parametrize("size", SIZES)
def test_grays_test_agrees_with_cmprsk(size):
    sample = a_sample(size, 15)

    lost = gray(sample.days, sample.cause, sample.group)
    died = gray(sample.days, sample.cause, sample.group, of=2)
    theirs = in_r(
        IN_CMPRSK
        + """
        f <- cuminc(d$day, d$cause, d$g)$Tests
        say("statistic", f[, 1]); say("p", f[, 2]); say("degrees", f[, 3])
        """,
        day=sample.days,
        cause=sample.cause,
        g=sample.group,
    )

    assert lost is not None
    assert died is not None
    assert [lost.degrees, died.degrees] == theirs["degrees"]
    assert_allclose([lost.statistic, died.statistic], theirs["statistic"], rtol=1e-8)
    # R subtracts from one, so that it cannot see a p below 1e-16.
    assert_allclose([lost.p, died.p], theirs["p"], rtol=1e-8, atol=1e-14)


@needs_cmprsk
def test_grays_test_agrees_with_cmprsk_on_small_samples_with_ties_and_groups_that_end_early():
    draw = np.random.default_rng(17)
    rows = []
    for number in range(100):
        size = int(draw.integers(8, 60))
        days = draw.integers(0, int(draw.integers(3, 40)), size)
        group = draw.integers(0, int(draw.integers(2, 5)), size)
        if number % 3 == 0:
            days = np.where(group == 0, days // 3, days)
        rows += [
            (number, int(a), int(b), f"g{c}") for a, b, c in zip(days, draw.integers(0, 3, size), group, strict=True)
        ]

    theirs = in_r(
        IN_CMPRSK
        + """
        one <- function(x) cuminc(x$day, factor(x$cause, 0:2), x$g, cencode=0)$Tests["1", 1]
        say("statistic", sapply(split(d, d$sample), one))
        """,
        sample=[row[0] for row in rows],
        day=[row[1] for row in rows],
        cause=[row[2] for row in rows],
        g=[row[3] for row in rows],
    )
    ours = []
    for number in range(100):
        mine = [row for row in rows if row[0] == number]
        found = gray([row[1] for row in mine], [row[2] for row in mine], [row[3] for row in mine])
        ours.append(-1.0 if found is None else found.statistic)

    # cmprsk says -1 where a covariance is singular; we leave out the direction about which nothing is known.
    both = [(a, b) for a, b in zip(ours, theirs["statistic"], strict=True) if b != -1]
    assert len(both) > 90
    assert_allclose([a for a, _ in both], [b for _, b in both], rtol=1e-8, atol=1e-8)


def test_grays_test_knows_no_order_among_groups():
    sample = a_sample(300, 18)
    renamed = [{"g0": "z", "g1": "m", "g2": "a"}[name] for name in sample.group]

    one, other = gray(sample.days, sample.cause, sample.group), gray(sample.days, sample.cause, renamed)

    assert one is not None
    assert other is not None
    assert one.statistic == pytest.approx(other.statistic, rel=1e-10)
    assert sum(group.observed for group in one.groups) == pytest.approx(sum(group.expected for group in one.groups))


@needs_r
@pytest.mark.parametrize("size", SIZES)
def test_the_mean_cumulative_count_and_its_robust_error_agree_with_r(size):
    draw = np.random.default_rng(16)
    left = draw.integers(50, 400, size)
    entered = np.where(draw.random(size) < 0.3, (left * draw.random(size) * 0.5).astype(int), 0)
    patient = draw.integers(0, size // 2, size)
    rows, days, who = [], [], []
    for access in range(size):
        on = np.unique(draw.integers(entered[access] + 1, left[access] + 1, draw.poisson(1.5)))
        begin = entered[access]
        for day in on:
            rows.append((access, patient[access], begin, day, 1))
            begin = day
        if begin < left[access]:
            rows.append((access, patient[access], begin, left[access], 0))
        days.extend(on)
        who.extend([patient[access]] * len(on))

    ours = mean_cumulative_count(left, list(patient), days, who, entered)
    theirs = in_r(
        """
        f <- survfit(Surv(start, stop, status) ~ 1, d, id=access, cluster=patient)
        s <- summary(f, times=c(100, 200, 350)); k <- f$n.event > 0
        say("day", f$time[k]); say("mean", f$cumhaz[k])
        at <- findInterval(c(100, 200, 350), f$time); say("se", f$std.chaz[at])
        """,
        access=[row[0] for row in rows],
        patient=[row[1] for row in rows],
        start=[row[2] for row in rows],
        stop=[row[3] for row in rows],
        status=[row[4] for row in rows],
    )

    assert list(ours.day) == theirs["day"]
    assert_allclose(ours.mean, theirs["mean"], rtol=0, atol=1e-10)
    found = [ours.at(day) for day in (100, 200, 350)]
    assert all(one is not None for one in found)
    assert_allclose([one.se for one in found if one is not None], theirs["se"], rtol=1e-8)


# --- Rates ---


@pytest.mark.parametrize(
    ("count", "exposure", "per", "rate", "low", "high"),
    [
        # 14 in 400 person-years, printed in a statistics manual (copy th4.ilovetranslation.com), read 2026-11-24.
        (14, 400, 1, 0.035, 0.019135, 0.058724),
        # 23 in 5.25, printed at dgbonett.github.io/statpsych (ci.poisson), read 2026-11-24.
        (23, 5.25, 1, 4.380952, 2.777148, 6.57358),
        # Bloodstream infections of 2020 in a national surveillance report (PubMed 38888965): 0.29 (0.29-0.30) in
        # 100 patient-months; the further digits were computed.
        (15_181, 5_235_234, 100, 0.28998, 0.28538, 0.29463),
        # Computed: per 1,000 catheter-days and per 100 patient-months.
        (0, 1200, 1000, 0.0, 0.0, 3.074),
        (3, 1850, 1000, 1.622, 0.334, 4.739),
        (4, 132, 100, 3.030, 0.826, 7.759),
    ],
)
def test_a_printed_exact_poisson_interval(count, exposure, per, rate, low, high):
    limits = [limit / exposure * per for limit in exact_poisson(count)]

    digits = 6 if per == 1 else (5 if count > 1000 else 3)
    assert round(count / exposure * per, digits) == rate
    assert_allclose(limits, [low, high], atol=0.6 * 10**-digits)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # x = 0: printed in the documentation of epitools' pois.exact (rdocumentation), read 2026-11-24; the rest computed.
    [
        (0, 0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
    ],
)
def test_a_printed_exact_interval_of_a_count(count, low, high):
    assert_allclose(exact_poisson(count), [low, high], atol=5e-5)


@pytest.mark.parametrize("count", [0, 1, 3, 17, 400])
def test_exact_intervals_agree_with_statsmodels(count):
    from statsmodels.stats.proportion import proportion_confint
    from statsmodels.stats.rates import confint_poisson

    assert_allclose(exact_poisson(count), confint_poisson(count, 1, method="exact-c"), rtol=1e-10)
    assert_allclose(exact_binomial(count, 400), proportion_confint(count, 400, method="beta"), rtol=1e-10)


def test_a_robust_rate_agrees_with_a_clustered_poisson_model_of_statsmodels():
    import statsmodels.api as sm

    draw = np.random.default_rng(17)
    exposure = draw.uniform(0.2, 3.0, 300)
    patient = draw.integers(0, 120, 300)
    counts = draw.poisson(exposure * draw.gamma(1.0, 1.0, 120)[patient])
    model = sm.GLM(counts, np.ones(300), family=sm.families.Poisson(), offset=np.log(exposure))
    theirs = model.fit(cov_type="cluster", cov_kwds={"groups": patient, "use_correction": False})
    clusters = len(set(patient))

    ours = robust_rate_interval(counts, exposure, list(patient))

    assert ours is not None
    half = np.log(ours[1] / ours[0]) / 2
    # Ours widens the variance by n/(n-1) for the number of patients, which statsmodels was told to leave out.
    assert_allclose(half, 1.959963984540054 * theirs.bse[0] * np.sqrt(clusters / (clusters - 1)), rtol=1e-6)


@pytest.mark.parametrize("expected", [0.3, 4.0, 37.5])
def test_limits_of_counts_agree_with_scipy(expected):
    from scipy.stats import binom, poisson

    assert poisson_limits(expected, 0.00135) == tuple(poisson.ppf([0.00135, 0.99865], expected))
    assert binomial_limits(80, expected / 80, 0.025) == tuple(binom.ppf([0.025, 0.975], 80, expected / 80))


# --- Laws ---

lives = st.lists(st.tuples(st.integers(0, 60), st.sampled_from([0, 1, 2])), min_size=1, max_size=60)


@given(lives)
def test_a_curve_never_rises_and_its_interval_holds_it(sample):
    curve = kaplan_meier([day for day, _ in sample], [cause == 1 for _, cause in sample])

    heights = [1.0, *curve.surviving]
    assert all(after <= before for before, after in pairwise(heights))
    inside = curve.surviving > 0
    assert (curve.low[inside] <= curve.surviving[inside] + 1e-12).all()
    assert (curve.high[inside] >= curve.surviving[inside] - 1e-12).all()


@given(lives)
def test_the_parts_of_competing_risks_and_survival_sum_to_one(sample):
    found = aalen_johansen([day for day, _ in sample], [cause for _, cause in sample], ["lost", "death"])

    assert_allclose(found.share.sum(axis=1) + found.surviving, 1.0, atol=1e-12)


@given(lives)
def test_with_death_censored_loss_is_never_less_likely_than_beside_death(sample):
    days = [day for day, _ in sample]
    curve = kaplan_meier(days, [cause == 1 for _, cause in sample])
    beside = aalen_johansen(days, [cause for _, cause in sample], ["lost", "death"])

    for day in sorted(set(days)):
        alone, share = curve.at(day), beside.at(day, "lost")
        if alone is not None and share is not None:
            assert 1 - alone.share >= share.share - 1e-12


@given(lives)
def test_a_log_rank_between_a_group_and_its_double_is_zero(sample):
    days = [day for day, _ in sample] * 2
    seen = [cause == 1 for _, cause in sample] * 2

    found = log_rank(days, seen, ["a"] * len(sample) + ["b"] * len(sample))

    assert found is None or found.statistic == pytest.approx(0, abs=1e-9)


# --- Edges ---


def test_nothing_happened_is_a_flat_curve_without_a_median():
    curve = kaplan_meier([10, 20], [False, False])

    assert curve.steps == []
    assert curve.median.day is None
    at = curve.at(15)
    assert at is not None
    assert (at.share, at.at_risk) == (1.0, 1)


def test_beyond_the_last_day_watched_the_curve_says_nothing():
    curve = kaplan_meier([10, 20], [True, False])

    assert curve.at(20) is not None
    assert curve.at(21) is None
    assert curve.restricted_mean(21) is None


def test_a_curve_that_came_to_nothing_stays_there():
    curve = kaplan_meier([10, 20], [True, True])

    later = curve.at(500)
    assert later is not None
    assert later.share == 0
    mean = curve.restricted_mean(500)
    assert mean is not None
    assert mean.days == 15


def test_an_empty_curve_is_no_error():
    curve = kaplan_meier([], [])

    assert curve.n == 0
    assert curve.at(1) is None
    assert curve.median.day is None
    assert log_rank([], [], []) is None


def test_a_first_failure_that_took_all_who_were_watched_is_pointed_at_when_others_come_later():
    curve = kaplan_meier([10, 200, 300], [True, False, False], [0, 50, 60])

    assert curve.surviving[0] == 0
    assert curve.emptied_early == 10


def test_a_failure_on_day_nought_counts():
    curve = kaplan_meier([0, 10], [True, False])

    assert [(step.day, step.at_risk, step.surviving) for step in curve.steps] == [(0, 2, 0.5)]


def test_grays_test_asks_for_two_groups():
    assert gray([1, 2], [1, 1], ["a", "a"]) is None
    assert gray([1, 2], [0, 2], ["a", "b"]) is None
