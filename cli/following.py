"""Following a patient: a new access on its way, infections, planning. Each look is noted, ids only."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.naming import access_named, named_in
from cli.options import (
    AsOfOption,
    ByOption,
    JsonOption,
    KnownOnOption,
    LedgerOption,
    PatientArgument,
    TodayOption,
    day_from,
    opened,
    the_patient,
    today_of,
)
from cli.rounds import RulesOption, rules_of

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.people import Patient
    from ledger.projections.infections import CourseView, CultureView, Infections
    from ledger.projections.maturation import Maturation, OnItsWay
    from ledger.projections.planning import Planning
    from ledger.store import Ledger

AccessOption = Annotated[
    str | None,
    typer.Option("--access", metavar="ACCESS", help="Only this access, by id or in words.", show_default=False),
]


def maturation(
    patient: PatientArgument,
    access: AccessOption = None,
    proven: Annotated[bool, typer.Option("--proven", help="Also the accesses that are proven by use.")] = False,
    rules: RulesOption = None,
    as_of: AsOfOption = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """A new access from creation to proven use, and the catheter that waits for it."""
    from cli.look import names_of, noted
    from ledger.projections.maturation import maturation_of

    in_use = rules_of(rules)
    with opened(ledger) as found:
        one, history, day = _opened(found, patient, as_of, known_on, today)
        about = access_named(history, access) if access is not None else None
        made = maturation_of(history, day, in_use, found.papers.words, names_of(found), access=about, proven=proven)
        if as_json:
            say.as_json(made.to_json())
        else:
            _tell_maturation(one, history, made)
        noted(found, "maturation", by, one.id, about)


def infections(
    patient: PatientArgument,
    access: AccessOption = None,
    as_of: AsOfOption = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Infections by class: cultures, courses until when, clearance, what was done with the catheter."""
    from cli.look import names_of, noted
    from ledger.projections.infections import infections_of

    with opened(ledger) as found:
        one, history, day = _opened(found, patient, as_of, known_on, today)
        about = access_named(history, access) if access is not None else None
        made = infections_of(history, day, found.papers.words, names_of(found), access=about)
        if as_json:
            say.as_json(made.to_json())
        else:
            _tell_infections(one, history, made)
        noted(found, "infections", by, one.id, about)


def planning(
    patient: PatientArgument,
    rules: RulesOption = None,
    as_of: AsOfOption = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Planning the next access: mapping, what was judged possible, vessels used up and left, vein book, life plan."""
    from cli.look import names_of, noted
    from ledger.projections.planning import planning_of

    in_use = rules_of(rules)
    with opened(ledger) as found:
        one, history, day = _opened(found, patient, as_of, known_on, today)
        made = planning_of(history, day, in_use, found.papers.words, names_of(found))
        if as_json:
            say.as_json(made.to_json())
        else:
            _tell_planning(one, made)
        noted(found, "planning", by, one.id)


def _opened(
    ledger: Ledger, patient: str, as_of: str | None, known_on: str | None, today: str | None
) -> tuple[Patient, History, date]:
    """The patient, their history as it is to be looked at, and the day."""
    from cli.look import seen

    one = the_patient(ledger, patient)
    history = seen(ledger.history(one.id, sessions=True), as_of, known_on)
    day = day_from(as_of, "--as-of") if as_of is not None else today_of(ledger, one.id, today)
    return one, history, day


def _who(one: Patient, what: str, day: date) -> str:
    from ledger.projections.wording import date_words

    return f"{one.id} {say.shown(one.name or '')}".strip() + f": {what}, {date_words(day)}"


def _end(one: Patient) -> None:
    say.out()
    say.paragraph(
        "Recorded facts only; not recorded is not the same as not present. This does not replace examination, the "
        "original report, local protocol and licensed judgement."
    )
    if one.invented:
        say.out("This patient is invented; no such person exists.")


# --- Maturation ---------------------------------------------------------------------------------------------------


def _tell_maturation(one: Patient, history: History, made: Maturation) -> None:
    say.heading(_who(one, "new accesses, and the catheter that waits", made.day))
    if not made.accesses:
        say.out("No access on its way is recorded.")
    for access in made.accesses:
        say.out()
        say.heading(f"{access.name} ({access.access})")
        _tell_access(access, history)
    if made.catheters:
        say.out()
        say.heading("Catheters in the body")
        for catheter in made.catheters:
            say.paragraph(say.shown(catheter.words()), "  ", "      ")
            if catheter.beside_proven:
                say.paragraph(catheter.beside_proven, "      ")
    _end(one)


def _tell_access(access: OnItsWay, history: History) -> None:
    from ledger.projections.wording import day_words

    ages = []
    if access.days_since_made is not None:
        ages.append(f"{say.counted(access.days_since_made, 'day')} since it was made")
    if access.days_since_second_stage is not None:
        ages.append(f"{say.counted(access.days_since_second_stage, 'day')} since the second stage")
    for words in (access.readiness, ", ".join(ages), access.stage, access.first_needle, access.stalled, access.sent):
        if words:
            say.paragraph(say.shown(words), "  ", "      ")
    helped = ", ".join(access.aided)
    say.paragraph(f"Helped on its way: {helped or 'nothing recorded'}", "  ", "      ")
    say.out("  On its way:")
    for step in access.steps:
        by = f" ({step.by})" if step.by else ""
        name = named_in(step.root, history)
        say.paragraph(f"{day_words(step.day)}: {say.shown(step.words)}{by} [{name}]", "    ", "      ")
    say.out("  Checks:")
    for check in access.checks:
        say.paragraph(check.words(), "    ", "      ")
    say.out("  By each rule, none preferred:")
    for rule in access.rules:
        say.paragraph(f"{rule.words()}: {rule.rule.says}", "    ", "      ")
    if not access.rules:
        say.out("    that it was made is not recorded, so no rule can be asked")


# --- Infections ---------------------------------------------------------------------------------------------------


def _tell_infections(one: Patient, history: History, made: Infections) -> None:
    from ledger.projections.wording import on_day
    from ledger.vocabulary import words_of

    say.heading(_who(one, "infections", made.day))
    if not made.infections:
        say.out("No infection is recorded; that is not the same as none.")
    for kind, those in made.by_class().items():
        say.out()
        say.heading(words_of(kind)[:1].upper() + words_of(kind)[1:])
        for found in those:
            where = found.access_name or "access not recorded"
            say.paragraph(f"{where}: onset {on_day(found.onset)} [{named_in(found.root, history)}]", "  ", "      ")
            told = [f"organism: {found.organism or 'not recorded'}"]
            if found.fate:
                told.append(f"said of the catheter: {found.fate}")
            say.paragraph("; ".join(told), "    ", "      ")
            _cultures(found.cultures, history, "    ", tied=True)
            _courses(found.courses, history, "    ")
            say.paragraph(found.clearance, "    ", "      ")
            for act in found.catheter:
                after = f", day {act.days_after} after the onset" if act.days_after is not None else ""
                say.paragraph(f"{say.shown(act.words)} ({on_day(act.day)}{after})", "    ", "      ")
    if made.cultures or made.courses:
        say.out()
        say.heading("Beside no infection that is recorded")
        _cultures(made.cultures, history, "  ", tied=False)
        _courses(made.courses, history, "  ")
    _end(one)


def _cultures(cultures: Iterable[CultureView], history: History, indent: str, *, tied: bool) -> None:
    from ledger.projections.wording import day_words

    for one in cultures:
        loose = " (not tied to it by an entry)" if tied and not one.tied else ""
        words = f"{day_words(one.drawn)}: {say.shown(one.words)}{loose} [{named_in(one.root, history)}]"
        say.paragraph(words, indent, indent + "  ")


def _courses(courses: Iterable[CourseView], history: History, indent: str) -> None:
    for one in courses:
        words = f"{one.words[:1].upper()}{one.words[1:]} [{named_in(one.root, history)}]"
        say.paragraph(words, indent, indent + "  ")


# --- Planning -----------------------------------------------------------------------------------------------------


def _tell_planning(one: Patient, made: Planning) -> None:
    from ledger.projections.planning import STATE_WORDS
    from ledger.projections.wording import day_words, side_words

    say.heading(_who(one, "planning the next access", made.day))
    _part("Life plan", _plan_lines(made), "No life plan is recorded.")
    _part("Planned, not made yet", made.planned, "")
    _part("Decisions", (decision.words for decision in made.decisions), "")
    _part("To be known", made.background, "")
    _part("Accesses so far", made.accesses, "No access is recorded.")
    mappings = (
        f"{day_words(mapping.day)}{f', {side_words(mapping.side)}' if mapping.side else ''}: {mapping.age}"
        for mapping in made.mappings
    )
    _part("Vein mapping", mappings, "No vein mapping is recorded.")
    for mapped in made.mapped:
        side = "" if mapped.words.startswith(("LEFT", "RIGHT")) else f"{side_words(mapped.side)} "
        old = ", old" if mapped.old else ""
        say.paragraph(f"{side}{mapped.words} ({day_words(mapped.day)}{old})", "    ", "      ")
    judged = (f"{one.words} ({day_words(one.day)}{', old mapping' if one.old else ''})" for one in made.possible)
    _part("Judged possible", judged, "")
    say.out()
    say.heading("Vessels")
    for region, vessels in made.by_region().items():
        spares = {vessel.spare for vessel in vessels}
        whole = next(iter(spares)) if len(spares) == 1 else ""
        say.out(f"  {region}{f': {whole}' if whole else ''}")
        silent = [vessel for vessel in vessels if not vessel.told and (whole or not vessel.spare)]
        for vessel in vessels:
            if vessel in silent:
                continue
            told = "; ".join(part for part in (*vessel.told, "" if whole else vessel.spare) if part)
            say.paragraph(f"{vessel.plain_name}: {STATE_WORDS[vessel.state]}; {say.shown(told)}", "    ", "      ")
        if silent:
            names = ", ".join(vessel.plain_name for vessel in silent)
            say.paragraph(f"nothing recorded of: {names}", "    ", "      ")
    _part("Vein book", made.book.lines(), "")
    _end(one)


def _plan_lines(made: Planning) -> list[str]:
    from ledger.projections.wording import day_words

    if made.plan is None:
        return []
    by = f", by {made.plan.by}" if made.plan.by else ""
    parts = [f"{part.heading}: {part.words}" for part in made.plan.parts]
    return [f"of {day_words(made.plan.day)}{by}; {made.plan.age}", *parts]


def _part(heading: str, lines: Iterable[Any], nothing: str) -> None:
    told = [str(line) for line in lines]
    if not told and not nothing:
        return
    say.out()
    say.heading(heading)
    for line in told or [nothing]:
        say.paragraph(say.shown(line), "  ", "      ")
