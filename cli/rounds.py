"""Rounds: what must not be forgotten in a unit, a sheet a shift; the trends and the referrals of one patient."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import say
from cli.naming import entry_names, named_in
from cli.options import (
    ByOption,
    JsonOption,
    KnownOnOption,
    LedgerOption,
    TodayOption,
    day_from,
    opened,
    the_patient,
    today_of,
)

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.people import Patient
    from ledger.projections.wording import NamesOf
    from ledger.rounds.lines import Line, Rounds
    from ledger.rounds.loop import Way
    from ledger.rounds.rules import Rules
    from ledger.rounds.sheets import ShiftSheet
    from ledger.store import Ledger

RulesOption = Annotated[
    Path | None,
    typer.Option(
        "--rules",
        envvar="ACCESS_LEDGER_RULES",
        metavar="FILE",
        help="Rules of your own: a TOML file that switches, edits or adds rules.",
        show_default=False,
    ),
]


def rounds(
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="Only the patients of this unit.", show_default=False)
    ] = None,
    shift: Annotated[
        str | None, typer.Option("--shift", metavar="SHIFT", help="Only those of this shift.", show_default=False)
    ] = None,
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="DAY", help="What was due on this day, by what had happened then."),
    ] = None,
    known_on: KnownOnOption = None,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="PATIENT", help="Only this patient.", show_default=False)
    ] = None,
    trends: Annotated[
        bool, typer.Option("--trends", help="With --patient: each series of each access, with a plot, instead.")
    ] = False,
    referrals: Annotated[
        bool,
        typer.Option(
            "--referrals", help="Instead: what was asked and found of a patient, or the days of a unit's year."
        ),
    ] = False,
    show_rules: Annotated[
        bool, typer.Option("--show-rules", help="Print the rules in use with their sources instead.")
    ] = False,
    pdf: Annotated[
        Path | None,
        typer.Option(
            "--pdf", metavar="FILE", help="Also as pages to print, one a shift, a new file.", show_default=False
        ),
    ] = None,
    rules: RulesOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """What must not be forgotten, in the order of the ward, on one sheet a shift."""
    from cli.look import noted

    if trends and patient is None:
        raise typer.BadParameter("--trends goes with --patient.")
    in_use = rules_of(rules)
    if show_rules:
        _tell_rules(in_use, as_json)
        return
    with opened(ledger) as found:
        day = day_from(on, "--on") if on is not None else None
        if patient is not None and (trends or referrals):
            one = the_patient(found, patient)
            tell = _tell_trends if trends else _tell_referrals
            tell(found, one, day or today_of(found, one.id, today), in_use, as_json)
            noted(found, "rounds", by, one.id)
            return
        if referrals:
            _tell_referrals_of_all(found, unit, shift, day, today, as_json)
            noted(found, "rounds", by, None, unit)
            return
        sheets = rounds_made(
            found, in_use, unit=unit, shift=shift, patient=patient, day=day, today=today, known_on=known_on
        )
        if pdf is not None:
            _print_to(pdf, sheets)
        if as_json:
            shifts = [sheet.to_json() for sheet in sheets]
            say.as_json({"unit": unit, "rules": in_use.version, "printed": found.clock().isoformat(), "shifts": shifts})
        else:
            _tell(sheets)
        about = sheets[0].patients[0].patient.id if patient is not None else None
        noted(found, "rounds", by, about, unit)


def _print_to(to: Path, sheets: tuple[ShiftSheet, ...]) -> None:
    from cli.fhir import put
    from cli.printed import rounds_printed

    put(to.parent, to.name, rounds_printed(sheets))
    say.aside(f"The pages are in {to}.")


def rounds_made(
    ledger: Ledger,
    rules: Rules,
    *,
    unit: str | None = None,
    shift: str | None = None,
    patient: str | None = None,
    day: date | None = None,
    today: str | None = None,
    known_on: str | None = None,
    before: Before | None = None,
) -> tuple[ShiftSheet, ...]:
    """The sheets of rounds: of a unit, a shift or one patient; on a day, or today in the zone of each unit.

    With `before`, patients of whom nothing was recorded since the last time are not read again.
    """
    from cli.look import names_of
    from ledger.projections.wording import date_words
    from ledger.rounds.sheets import OnSheet, sheets_of

    chosen = _patients(ledger, unit, shift, patient)
    names = names_of(ledger)
    made = []
    with _no_collecting():
        for one in chosen:
            at = day or today_of(ledger, one.id, today)
            if before is None or known_on is not None:
                found, entries = _found(ledger, one, at, rules, known_on, names)
            else:
                key = before.key(ledger, one, at, rules)
                found, entries = before.of(key, partial(_found, ledger, one, at, rules, None, names))
            made.append(OnSheet(patient=one, day=at, rounds=found, entries=entries))
    moment = ledger.clock().astimezone(ledger.who.zones.get(unit or "", ledger.zone))
    where = "" if unit is None else names(unit) or unit
    return sheets_of(made, where, f"{date_words(moment.date())} {moment:%H:%M}")


class Before:
    """What rounds said before, for a server that is asked for the same unit many times a day.

    What is remembered of a patient holds for the heads of their two streams, the reports that wait, a day and rules; so
    it is worked out anew as soon as anything of that changes. A record to which others were joined is never remembered,
    since what is recorded in those does not move its heads. Nothing is written down.
    """

    def __init__(self, most: int = 5000) -> None:
        self._most = most
        self._held: dict[str, tuple[object, tuple[Rounds, dict[str, str]]]] = {}
        self._rules: tuple[Rules, int] | None = None

    def key(self, ledger: Ledger, one: Patient, day: date, rules: Rules) -> tuple[str, object] | None:
        """What an answer about a patient depends on; None where it is not to be remembered."""
        from cli.look import waiting_reports
        from ledger.store.who import number_of

        stream = 2 * number_of(one.id)
        heads = ledger.db.execute(
            "SELECT stream, version, hash, doubts, joins FROM streams WHERE org=? AND stream IN (?,?) ORDER BY stream",
            (ledger.org, stream, stream + 1),
        ).fetchall()
        if any(head[4] for head in heads):
            return None
        said = tuple((head[0], head[1], bytes(head[2]), head[3]) for head in heads)
        waiting = tuple(waiting_reports(ledger, one.id))
        return f"{ledger.uuid}.{one.id}", (said, waiting, day, self._name(rules))

    def of(
        self, key: tuple[str, object] | None, make: Callable[[], tuple[Rounds, dict[str, str]]]
    ) -> tuple[Rounds, dict[str, str]]:
        """What was said for this key, or what `make` says now."""
        if key is None:
            return make()
        whose, depends_on = key
        held = self._held.get(whose)
        if held is not None and held[0] == depends_on:
            return held[1]
        found = make()
        if len(self._held) >= self._most:
            self._held.clear()
        self._held[whose] = (depends_on, found)
        return found

    def _name(self, rules: Rules) -> int:
        # Kept with the rules themselves, so that their id cannot become that of others.
        if self._rules is None or self._rules[0] is not rules:
            self._rules = (rules, hash(repr(rules)))
        return self._rules[1]


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Without the cyclic collector: histories hold no cycles, and looking for some takes a fifth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def rules_of(file: Path | None) -> Rules:
    """The rules in use: the shipped ones, and those of a site. Raises WrongInput for a file that cannot be read."""
    from ledger.errors import WrongInput
    from ledger.rounds.rules import load_rules

    if file is None:
        return load_rules()
    try:
        return load_rules(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        raise WrongInput("The file of --rules cannot be read.", "Check its name, and that it is text.") from None


def rules_in_use() -> Rules:
    """The rules of the server: those of the site's file that `ACCESS_LEDGER_RULES` names, else the shipped ones."""
    named = os.environ.get("ACCESS_LEDGER_RULES")
    return rules_of(Path(named) if named else None)


def _patients(ledger: Ledger, unit: str | None, shift: str | None, patient: str | None) -> list[Patient]:
    """Whom rounds are about, from the tables alone: no history is loaded to find out."""
    from ledger.errors import WrongInput

    if patient is not None:
        return [the_patient(ledger, patient)]
    if unit is not None and unit not in {one.id for one in ledger.who.units()}:
        raise WrongInput("There is no such unit in this ledger.", "Look with `access-ledger unit list`.")
    chosen = (one for one in ledger.who.patients(unit=unit) if not one.erased and shift in (None, one.shift))
    # A record that turned out to be of somebody known already is brought up with theirs, once.
    return [one for one in chosen if _read_model(ledger, one.id)[0] is None]


def _read_model(ledger: Ledger, patient: str) -> tuple[int | None, int]:
    """To whom a record was joined, and how many doubts are open, from the columns that every append keeps."""
    from ledger.store.who import number_of

    row = ledger.db.execute(
        "SELECT joined_to, doubts FROM streams WHERE org=? AND stream=?", (ledger.org, 2 * number_of(patient))
    ).fetchone()
    return (None, 0) if row is None else (row[0], row[1] or 0)


def _found(
    ledger: Ledger, one: Patient, day: date, rules: Rules, known_on: str | None, names: NamesOf
) -> tuple[Rounds, dict[str, str]]:
    """What rounds say of a patient, and the names of the entries that it rests on."""
    from cli.look import seen, waiting_reports
    from ledger.admission import doubts_of
    from ledger.projections.person import is_followed
    from ledger.rounds.lines import Rounds, rounds_of

    care = ledger.history(one.id)
    # Nobody asks anything of who is no longer followed, so their sessions are not read.
    if not care.entries or not is_followed(seen(care, None, known_on), day):
        return Rounds(()), {}
    history = seen(ledger.with_sessions(care), None, known_on)
    waiting = waiting_reports(ledger, one.id) if known_on is None else []
    # To judge a history anew takes as long as to fold it; where no doubt is open there is nothing to find.
    doubts = doubts_of(history) if _read_model(ledger, one.id)[1] else ()
    found = rounds_of(history, one, day, rules, waiting, words=ledger.papers.words, names=names, doubts=doubts)
    roots = {root for lines in found for line in lines for root in line.roots}
    if not roots:
        return found, {}
    return Rounds(*(tuple(_named(line, history) for line in lines) for lines in found)), entry_names(history, roots)


def _named(line: Line, history: History) -> Line:
    from dataclasses import replace

    return replace(line, words=named_in(line.words, history))


# --- Telling ------------------------------------------------------------------------------------------------------


def _tell(sheets: tuple[ShiftSheet, ...]) -> None:
    if not sheets:
        say.out("No patient fits.")
        return
    for nth, sheet in enumerate(sheets):
        if nth:
            say.out("\f" if not say.is_terminal() else "")
        parts = {f"{part.place}. {part.heading}" if part.place else part.heading for part in sheet.parts()}
        for line in sheet.lines(say.width()):
            shown = say.shown(line)
            if line == sheet.title or line in parts:
                say.heading(shown)
            else:
                say.out(shown)
    if all(one.patient.invented for sheet in sheets for one in sheet.patients):
        say.out("All of them are invented; no such person exists.")


def _who(one: Patient) -> str:
    return f"{one.id} {say.shown(one.name or '')}".strip()


def _tell_trends(ledger: Ledger, one: Patient, day: date, rules: Rules, as_json: bool) -> None:
    """Each series of each access that is in the body: numbers, a plot with the rule's line, and the rules met."""
    from ledger.projections.state import accesses_of
    from ledger.rounds.maturing import maturity_by
    from ledger.rounds.trends import line_for, plot_of, plotted, rules_met, series_of

    history = ledger.history(one.id, sessions=True).seen(as_of=day)
    told = []
    for view in accesses_of(history, day):
        if not view.in_body:
            continue
        series = series_of(view.folded, history.zone)
        met = rules_met(series, rules, history.zone)
        maturity = maturity_by(history, view.access, rules)
        told.append(
            {
                "access": view.access,
                "name": view.name,
                "series": [found.to_json() for found in series.values()],
                "plots": [plot.to_json() for found in series.values() if (plot := plot_of(found, rules)) is not None],
                "rules_met": [found.to_json() for found in met],
                "maturity": [found.to_json() for found in maturity],
            }
        )
        if as_json:
            continue
        say.heading(f"{_who(one)}: {view.name}")
        for rule_of in maturity:
            say.paragraph(f"Maturity, {rule_of.words()}", "  ", "      ")
        if not series:
            say.out("  No series recorded.")
        for found in series.values():
            say.paragraph(found.words(), "  ", "      ")
            for line in plotted(found, line_for(found, rules)):
                say.out(f"    {line}".rstrip())
        for rule in met:
            say.paragraph(rule.words, "  ", "      ")
            for position in rule.differs:
                say.paragraph(f"Another position: {position}", "      ")
    if as_json:
        say.as_json({"patient": one.id, "day": day.isoformat(), "accesses": told})
    elif not told:
        say.out("No access in the body is recorded.")


def ways_to(ledger: Ledger, patient: str, day: date) -> tuple[History, tuple[Way, ...]]:
    """The referrals of a patient by a day, what came of each, and the history that they stand in."""
    from ledger.dates import day_of
    from ledger.errors import NotFound
    from ledger.projections.folding import fold_of
    from ledger.rounds.loop import ways_of

    history = ledger.history(patient, sessions=True).seen(as_of=day)

    def arrived(report: str) -> date | None:
        try:
            return day_of(ledger.papers.report(report).arrived_at, history.zone)
        except NotFound:
            return None

    return history, ways_of(history, fold_of(history), day, ledger.papers.words, arrived=arrived)


def _tell_referrals(ledger: Ledger, one: Patient, day: date, rules: Rules, as_json: bool) -> None:
    """What was asked and what was found, side by side, with the days between."""
    from ledger.projections.wording import day_words
    from ledger.rounds.loop import SPANS, standing_words

    _, ways = ways_to(ledger, one.id, day)
    if as_json:
        say.as_json({"patient": one.id, "day": day.isoformat(), "referrals": [way.to_json() for way in ways]})
        return
    if not ways:
        say.out("No referral is recorded.")
    for way in ways:
        say.heading(f"Referred {day_words(way.asked_on)}: {standing_words(way)}")
        say.paragraph(f"Asked: {way.asked}", "  ", "      ")
        for sentence in way.found:
            say.paragraph(f"Found: {say.shown(sentence)}", "  ", "      ")
        known = [
            f"{name} {say.counted(days, 'day')}" for name, field in SPANS if (days := getattr(way, field)) is not None
        ]
        if known:
            say.paragraph(f"Days: {', '.join(known)}", "  ", "      ")


def _tell_referrals_of_all(
    ledger: Ledger, unit: str | None, shift: str | None, day: date | None, today: str | None, as_json: bool
) -> None:
    """The referrals of a year, how they stand, and the days between the steps of the way."""
    from collections import Counter

    from ledger.rounds.loop import days_between
    from ledger.rounds.rules import months_on

    ways = []
    last = day or today_of(ledger, None, today)
    first = months_on(last, -12)
    with _no_collecting():
        for one in _patients(ledger, unit, shift, None):
            history, found = ways_to(ledger, one.id, day or today_of(ledger, one.id, today))
            ways += [way for way in found if first < way.asked_on.latest_in(history.zone).date() <= last]
    standing = Counter(way.standing for way in ways)
    spans = days_between(ways)
    if as_json:
        say.as_json(
            {
                "unit": unit,
                "first": first.isoformat(),
                "last": last.isoformat(),
                "referrals": len(ways),
                "standing": dict(standing),
                "days": [one.to_json() for one in spans],
            }
        )
        return
    say.heading(f"Referrals after {first} to {last}, {unit or 'all units'}: {len(ways)}")
    for words, count in standing.most_common():
        say.out(f"  {count:4} {words.replace('-', ' ')}")
    say.out()
    say.table(
        ["Median", "Least", "Most", "Counted", "Not known", "Days from"],
        [
            [
                "" if one.median is None else f"{one.median:g}",
                "" if one.least is None else str(one.least),
                "" if one.most is None else str(one.most),
                one.counted,
                one.not_known,
                one.name,
            ]
            for one in spans
        ],
    )


def _tell_rules(rules: Rules, as_json: bool) -> None:
    if as_json:
        say.as_json({"version": rules.version, "rules": [one.to_json() for one in rules.rules.values()]})
        return
    for one in rules.rules.values():
        state = "empty" if one.is_empty else "on" if one.on else "off"
        known = "read" if one.verified else "from memory"
        site = ", of the site" if one.of_site else ""
        say.paragraph(f"{one.name}: {one.says} [{state}, {known}{site}]", "", "    ")
        say.paragraph(f"Source: {one.source}", "    ")
        if one.note:
            say.paragraph(one.note, "    ")
