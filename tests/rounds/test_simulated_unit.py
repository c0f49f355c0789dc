"""A simulated unit of two hundred patients over three years, in which every lapse was planted and so is known.

Nobody in it exists. Each of the fifteen lines is planted ten times or more, some of them in several ways, with the day
on which it has to come up and the last on which it may; everything else in those lives is done on time. Rounds are made
on the day before, the first day, the last day and the day after, and on days drawn at random, each as known on that
day: every planted lapse has to be there, and nothing else. The share of lines that were not planted, which a
practitioner would call noise, is printed.
"""

from __future__ import annotations

from calendar import monthrange
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random
from typing import Any

import pytest

from ledger.chronology import History
from ledger.entries import Entry
from ledger.people import Patient
from ledger.rounds.lines import lines_of
from ledger.rounds.rules import load_rules, months_on
from ledger.vocabulary import ReminderLine
from tests.examples import m
from tests.lives import ZONE, an_entry, happening

FIRST, LAST = date(2023, 1, 1), date(2025, 12, 31)
PATIENTS = 200
RULES = load_rules()
Span = tuple[ReminderLine, date, date]


@dataclass
class Life:
    """What is told of one patient, and the lines that have to come up, each with its first and last day."""

    day: date
    told: list[tuple[date, Any]] = field(default_factory=list)
    due: list[Span] = field(default_factory=list)
    silent_look: tuple[date, date] | None = None

    def at(self, days: int) -> date:
        return self.day + timedelta(days=days)

    def tell(self, kind: str, days: int, *, recorded: int | None = None, **said: Any) -> None:
        self.told.append((self.at(days if recorded is None else recorded), happening(kind, str(self.at(days)), **said)))

    def owes(self, line: ReminderLine, first: int, last: int) -> None:
        self.due.append((line, self.at(first), self.at(last)))

    def looks(self, access: str, since: date, phase: date, **said: Any) -> None:
        """A look every 28 days, of which one lies on `phase`: never a calendar month apart."""
        day = since + timedelta(days=(phase - since).days % 28)
        while day <= LAST:
            if self.silent_look is None or not self.silent_look[0] <= day <= self.silent_look[1]:
                self.told.append((day, happening("examination", str(day), access=access, **said)))
            day += timedelta(days=28)

    def plans(self, **said: Any) -> None:
        """A life plan every 300 days, none in the three months around the planted day."""
        day = self.day - timedelta(days=100)
        while day > FIRST:
            day -= timedelta(days=300)
        while day <= LAST:
            self.told.append((day, happening("life-plan-reviewed", str(day), **said)))
            day += timedelta(days=300)


def with_fistula(life: Life) -> None:
    began = FIRST - timedelta(days=500)
    life.told.append((began, happening("care-began", str(began), unit="U1", modality="in-centre-haemodialysis")))
    made = began + timedelta(days=20)
    life.told.append(
        (made, happening("creation", str(made), access="A1", access_kind="fistula", side="left", site="upper-arm"))
    )
    used = made + timedelta(days=100)
    life.told.append((used, happening("access-used", str(used)[:7], access="A1", use="two-needles")))
    life.looks("A1", made + timedelta(days=10), life.at(-7), thrill="continuous")
    life.plans()


def with_catheter(life: Life, placed: date | None = None, **plan: Any) -> None:
    placed = placed or FIRST - timedelta(days=30)
    life.told.append((placed, happening("care-began", str(placed), unit="U1", modality="in-centre-haemodialysis")))
    life.told.append(
        (
            placed,
            happening(
                "catheter-placed",
                str(placed),
                access="C1",
                access_kind="tunnelled-catheter",
                vein="internal-jugular",
                side="right",
            ),
        )
    )
    life.looks("C1", placed, life.at(-7), exit_site_clean=True)
    life.plans(**plan)


def no_flow(life: Life) -> None:
    with_fistula(life)
    life.tell("examination", 0, access="A1", thrill="absent")
    life.tell("referral", 4, access="A1", why=["no-thrill"], urgency="today")
    life.tell("visit", 4, access="A1", visit="V1", outcome="done")
    life.tell("thrombectomy", 4, access="A1", visit="V1", success=True)
    life.owes(ReminderLine.NO_FLOW, 0, 3)


def culture(life: Life) -> None:
    with_catheter(life, next_access="graft")
    life.tell("culture", 0, access="C1", specimen="catheter-hub", positive=True, organism="enterococcus")
    life.tell("infection", 3, access="C1", infection_class="bloodstream", organism="enterococcus")
    life.owes(ReminderLine.UNANSWERED_CULTURE, 0, 2)


def conflict(life: Life) -> None:
    with_fistula(life)
    life.tell("access-known", 0, access="A1", access_kind="fistula", side="right")
    life.due.append((ReminderLine.CONFLICT, life.day, LAST))


def report_missing(life: Life) -> None:
    with_fistula(life)
    life.tell("appointment", 0, state="attended", access="A1", on=str(life.day))
    life.tell("visit", 0, recorded=6, access="A1", visit="V1", outcome="done")
    life.owes(ReminderLine.REPORT_MISSING, 0, 5)


def sutures(life: Life) -> None:
    with_fistula(life)
    life.tell("visit", 0, access="A1", visit="V1", outcome="done")
    life.tell("instruction", 0, access="A1", visit="V1", what="sutures", sutures=1, due=str(life.at(2)))
    life.tell("instruction", 5, access="A1", what="sutures", sutures=0)
    life.owes(ReminderLine.INSTRUCTION_DUE, 2, 4)


def from_hospital(life: Life) -> None:
    with_fistula(life)
    life.tell("hospital-stay", -5, recorded=0, until=str(life.day))
    life.tell("examination", 3, access="A1", thrill="continuous")
    life.owes(ReminderLine.NOT_LOOKED_AT, 0, 2)


def not_booked(life: Life) -> None:
    with_fistula(life)
    life.tell("referral", 0, access="A1", why=["difficult-needling"], urgency="within-weeks")
    life.tell("appointment", 9, state="booked", access="A1", on=str(life.at(12)))
    life.tell("visit", 12, access="A1", visit="V1", outcome="done")
    life.owes(ReminderLine.REFERRAL_OPEN, 7, 8)


def low_flow(life: Life) -> None:
    with_fistula(life)
    life.tell("measurement", 0, access="A1", flow_ml_min=m("390"), method="indicator-dilution")
    life.tell("measurement", 7, access="A1", flow_ml_min=m("380"), method="indicator-dilution")
    life.tell("referral", 9, access="A1", why=["low-flow"])
    life.tell("visit", 9, access="A1", visit="V1", outcome="done")
    life.owes(ReminderLine.RULE_MET, 7, 8)


def lesion(life: Life) -> None:
    with_fistula(life)
    for days in (-210, -90, 0):
        lesions = [{"lesion": "L1", "place": "cephalic-arch", "residual_percent": m("20")}]
        life.tell("angioplasty", days, access="A1", lesions=lesions)
    life.tell("life-plan-reviewed", 10)
    life.owes(ReminderLine.LESION_AGAIN, 0, 9)


def resting(life: Life) -> None:
    with_fistula(life)
    life.tell("complication", 0, access="A1", what="infiltration")
    life.tell("instruction", 0, access="A1", what="rest", until=str(life.at(7)))
    life.tell("access-used", 10, access="A1", use="two-needles")
    life.owes(ReminderLine.RESTING_DUE, 7, 9)
    life.owes(ReminderLine.INSTRUCTION_DUE, 7, 7)


def new_access(life: Life) -> None:
    with_catheter(life, next_access="fistula")
    life.tell("creation", 0, access="A1", access_kind="fistula", side="left", site="wrist")
    life.tell("examination", 17, access="A1", thrill="continuous")
    life.tell("maturity-assessed", 27, access="A1", verdict="ready")
    life.tell("first-cannulation", 50, access="A1", needles=1, gauge=17)
    life.looks("A1", life.at(28), life.at(27 + 28), thrill="continuous")
    life.owes(ReminderLine.NEW_ACCESS_DUE, 14, 16)


def beside(life: Life) -> None:
    with_fistula(life)
    life.tell("catheter-placed", 0, access="C1", access_kind="tunnelled-catheter", vein="internal-jugular")
    life.tell("catheter-removed", 5, access="C1", reason="no-longer-needed")
    life.owes(ReminderLine.CATHETER_BESIDE_PROVEN, 0, 4)


def long_catheter(life: Life) -> None:
    # Placed on the first of a month: three calendar months later is the first again, and 91 days may come before it.
    placed = life.day.replace(day=1)
    month = placed.month + 3
    by_months = date(placed.year + (month > 12), (month - 1) % 12 + 1, 1)
    first = min(by_months, placed + timedelta(days=91))
    with_catheter(life, placed)
    until = first + timedelta(days=15)
    life.told.append((until, happening("decision", str(until), what="chooses-catheter", access="C1", by_patient=True)))
    life.due.append((ReminderLine.CATHETER_LONG, first, until - timedelta(days=1)))


def course(life: Life) -> None:
    with_fistula(life)
    life.tell("antimicrobial-course", 0, reason="infection-elsewhere", planned_until=str(life.at(3)))
    life.owes(ReminderLine.COURSE_OPEN, 4, 7)


def not_looked(life: Life) -> None:
    life.silent_look = (life.at(0), life.at(30))
    with_fistula(life)
    last = life.at(-7)
    year, month = last.year + (last.month == 12), last.month % 12 + 1
    due = date(year, month, min(last.day, monthrange(year, month)[1]))
    life.due.append((ReminderLine.REVIEW_DUE, due, life.at(48)))  # the look after that is on day 49


# --- Other ways into the same lines ---


def fever(life: Life) -> None:
    with_catheter(life, next_access="graft")
    life.tell("examination", 0, access="C1", fever=True, exit_site_clean=True)
    life.tell("culture", 2, access="C1", specimen="dialysis-circuit", positive=False)
    life.owes(ReminderLine.UNANSWERED_CULTURE, 0, 1)


def not_attended(life: Life) -> None:
    with_fistula(life)
    life.tell("appointment", 0, state="not-attended", access="A1", on=str(life.day))
    life.tell("examination", 4, access="A1", thrill="continuous")
    life.owes(ReminderLine.NOT_LOOKED_AT, 0, 3)


def second_stage(life: Life) -> None:
    with_catheter(life, next_access="fistula")
    life.tell("creation", 0, access="A1", access_kind="fistula", side="left", site="upper-arm", stage="first")
    life.tell("examination", 10, access="A1", thrill="continuous")
    life.tell("access-planned", 35, access="A1", access_kind="fistula", side="left", planned_for=str(life.at(60)))
    life.tell("second-stage", 60, access="A1", form="transposition")
    life.tell("maturity-assessed", 87, access="A1", verdict="ready")
    life.tell("first-cannulation", 100, access="A1", needles=1, gauge=17)
    life.looks("A1", life.at(11), life.at(67), thrill="continuous")
    life.owes(ReminderLine.NEW_ACCESS_DUE, 28, 34)


def stalled(life: Life) -> None:
    with_catheter(life, next_access="fistula")
    life.tell("creation", 0, access="A1", access_kind="fistula", side="left", site="wrist")
    life.tell("examination", 10, access="A1", thrill="continuous")
    life.tell("maturity-assessed", 27, access="A1", verdict="not-ready")
    first = (months_on(life.day, 2) - life.day).days
    life.tell("referral", first + 5, access="A1", why=["not-maturing"], urgency="within-weeks")
    life.tell("appointment", first + 6, state="booked", access="A1", on=str(life.at(first + 10)))
    life.tell("visit", first + 10, access="A1", visit="V1", outcome="done")
    life.tell("first-cannulation", first + 10, access="A1", needles=1, gauge=17)
    life.looks("A1", life.at(11), life.at(27 + 28), thrill="continuous")
    life.owes(ReminderLine.NEW_ACCESS_DUE, first, first + 4)


def lesion_often(life: Life) -> None:
    with_fistula(life)
    for days in (-80, -40, 0):
        lesions = [{"lesion": "L1", "place": "juxta-anastomotic", "residual_percent": m("20")}]
        life.tell("angioplasty", days, access="A1", lesions=lesions)
    life.tell("life-plan-reviewed", 5)
    life.owes(ReminderLine.LESION_AGAIN, 0, 4)


def no_clearance(life: Life) -> None:
    with_catheter(life, next_access="graft")
    life.tell("culture", 0, access="C1", specimen="catheter-hub", positive=True, organism="enterococcus")
    life.tell("infection", 0, access="C1", infection_class="bloodstream", organism="enterococcus")
    course = {"access": "C1", "reason": "bloodstream-infection", "until": str(life.at(14))}
    life.tell("antimicrobial-course", 0, recorded=14, **course)
    life.tell("culture", 20, access="C1", specimen="dialysis-circuit", positive=False, clearance=True)
    life.owes(ReminderLine.COURSE_OPEN, 15, 19)


def plan_old(life: Life) -> None:
    if (life.day.month, life.day.day) == (2, 29):
        life.day -= timedelta(days=1)
    last = life.day.replace(year=life.day.year - 1)
    with_fistula(life)
    life.told = [(day, event) for day, event in life.told if event.kind != "life-plan-reviewed"]
    days = [last - timedelta(days=300 * nth) for nth in range(5)]
    days += [life.at(6 + 300 * nth) for nth in range(5) if life.at(6 + 300 * nth) <= LAST]
    life.told += [(day, happening("life-plan-reviewed", str(day))) for day in days]
    life.owes(ReminderLine.REVIEW_DUE, 0, 5)


def decision_old(life: Life) -> None:
    with_catheter(life, next_access="graft")
    life.tell("decision", -90, what="declines-fistula", by_patient=True, review_on=str(life.at(-1)))
    life.tell("decision", 7, what="declines-fistula", by_patient=True, review_on=str(LAST + timedelta(days=100)))
    life.owes(ReminderLine.REVIEW_DUE, 0, 6)


def near_dialysis(life: Life) -> None:
    life.tell("care-began", 0, unit="U1", modality="not-yet-on-dialysis")
    for days in range(9, 1200, 300):
        if life.at(days) <= LAST:
            life.tell("life-plan-reviewed", days, next_access="fistula")
    life.owes(ReminderLine.REVIEW_DUE, 0, 8)


PLANTED: tuple[Callable[[Life], None], ...] = (
    no_flow,
    culture,
    conflict,
    report_missing,
    sutures,
    from_hospital,
    not_booked,
    low_flow,
    lesion,
    resting,
    new_access,
    beside,
    long_catheter,
    course,
    not_looked,
)


OTHERWISE: tuple[Callable[[Life], None], ...] = (
    fever,
    not_attended,
    second_stage,
    stalled,
    lesion_often,
    no_clearance,
    plan_old,
    decision_old,
    near_dialysis,
)


def planted_in(number: int) -> Callable[[Life], None] | None:
    """Ten patients of each lapse, then four of each other way into the same lines, then those who lack nothing."""
    plants = [*PLANTED * 10, *OTHERWISE * 4]
    return plants[number] if number < len(plants) else None


def history_of(life: Life, plant: Callable[[Life], None] | None, patient: str) -> History:
    entries: list[Entry] = []
    for place, (recorded, event) in enumerate(sorted(life.told, key=lambda one: one[0]), 1):
        at = f"{recorded.isoformat()}T{6 + place % 10:02}:00:00.{place:06}Z"
        entries.append(an_entry(event, place, patient=patient, recorded_at=at))
    entries.sort(key=lambda one: one.recorded_at)
    if plant is course:
        # Somebody says on day 8 that the course ended; until then only its planned end is known.
        wrong = next(one for one in entries if one.event.kind == "antimicrobial-course")
        to = {"kind": "antimicrobial-course", "happened": str(life.day), "reason": "infection-elsewhere"}
        right = happening(
            "correction", str(life.day), corrects=wrong.id, root=wrong.id, to={**to, "until": str(life.at(3))}
        )
        at = f"{life.at(8).isoformat()}T05:00:00.000000Z"
        entries.append(an_entry(right, len(entries) + 1, patient=patient, recorded_at=at, source="corrected"))
    return History(patient=patient, zone=ZONE, entries=tuple(entries))


def unit() -> list[tuple[History, list[Span], str, date]]:
    """Two hundred lives: in most of them one lapse was planted, in the others nothing was left undone."""
    draw = Random(20231)
    lives = []
    for number in range(PATIENTS):
        day = date(2023, 9, 1) + timedelta(days=draw.randrange(700))
        life = Life(day)
        plant = planted_in(number)
        if plant is None:
            (with_fistula if number % 2 else lambda one: with_catheter(one, next_access="fistula"))(life)
        else:
            plant(life)
        name = "nothing" if plant is None else plant.__name__
        lives.append((history_of(life, plant, f"P{number + 1:04}"), life.due, name, day))
    return lives


@pytest.fixture(scope="module")
def lives() -> list[tuple[History, list[Span], str, date]]:
    return unit()


def found_on(history: History, day: date) -> set[ReminderLine]:
    patient = Patient(id=history.patient, name="Invented", unit="U1", invented=True)
    return {one.line for one in lines_of(history.seen(known_on=day), patient, day, RULES)}


def test_every_planted_lapse_is_found_on_its_days_and_nothing_else_is(
    lives: list[tuple[History, list[Span], str, date]],
) -> None:
    draw = Random(7)
    one_day = timedelta(days=1)
    wrong: list[str] = []
    lines: Counter[str] = Counter()
    for history, due, name, _ in lives:
        days = {FIRST + timedelta(days=draw.randrange((LAST - FIRST).days)) for _ in range(2)}
        for _, first, last in due:
            days |= {first - one_day, first, last, min(last + one_day, LAST)}
        for day in sorted(days):
            expected = {line for line, first, last in due if first <= day <= last}
            found = found_on(history, day)
            lines["planted"] += len(found & expected)
            lines["noise"] += len(found - expected)
            if found != expected:
                wrong.append(f"{history.patient} {name} {day}: found {sorted(found)}, planted {sorted(expected)}")

    total = sum(lines.values())
    print(f"{total} lines, {lines['noise']} of them not planted ({lines['noise'] / total:.1%})")
    assert not wrong, "\n".join(wrong[:20])
    assert lines["planted"] >= 2 * (10 * len(PLANTED) + 4 * len(OTHERWISE))


def test_each_of_the_fifteen_lines_was_planted(lives: list[tuple[History, list[Span], str, date]]) -> None:
    planted = Counter(line for _, due, _, _ in lives for line, _, _ in due)

    assert set(planted) == set(ReminderLine)
    assert min(planted.values()) >= 10
