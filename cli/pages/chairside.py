"""The brief of a patient and the sheet for whoever intervenes: what is read before anybody touches the arm.

Everything that is told here is made in `ledger.projections`; a page lays it out, puts the drawing, the intervals and
the trends beside it, and lets each line be opened to the words that it rests on. What nobody confirmed is not here.

To show more on the brief, put it into `ledger.projections.brief`; to draw more, see `cli.pages.drawing`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.people import Patient
    from ledger.projections.brief import Brief, BriefLine, Section
    from ledger.projections.sheet import Sheet
    from ledger.projections.state import AccessView
    from ledger.projections.timeline import Line

LETTERS_AT_ONCE = {"background": 360, "intervention": 620, "others": 420, "due": 330}
"""Of these sections so many letters are shown at once, and at least one line; the others when somebody opens them.

What comes first in the chairside order never hides.
"""

MORE_ON_PAPER = 6
"""Paper cannot be opened: so many lines of those that the screen hides are printed too, and the rest is counted."""

_DENSE_BRIEF, _DENSE_SHEET = (3450, 4600, 5600, 6800), (4400, 5500, 7100, 9300)
"""Above how many letters a brief or a sheet is set more densely on paper, so that it stays one page. By trial."""


@dataclass(frozen=True)
class Resting:
    """An entry that a line rests on, by its name, and the line of the life that tells it."""

    name: str
    line: Line

    @property
    def recorded(self) -> str:
        """The day of recording, in words."""
        from ledger.projections.wording import day_words

        return day_words(self.line.recorded[:10])


@dataclass(frozen=True)
class Told:
    """One line of the brief and what it rests on."""

    text: str
    rests_on: tuple[Resting, ...] = ()
    waiting: tuple[str, ...] = ()
    """Reports that nobody has confirmed: that they wait is told, and nothing of what they say."""


@dataclass(frozen=True)
class Shown:
    """One section: the lines that are shown at once, and those that are opened."""

    key: str
    label: str
    first: tuple[Told, ...]
    more: tuple[Told, ...]


def brief(asked: Asked) -> Response:
    """What one needs to know in the minute before anybody touches the arm."""
    from cli.pages.drawing import drawing_of
    from cli.pages.plots import intervals_of, trends_of
    from ledger.projections.brief import access_to_use

    one = asked.patient(did="brief")
    history = asked.history(one.id)
    made = brief_of_patient(asked, one, history)
    sections = {section.key: section for section in sections_of(asked, history, made)}
    main = access_to_use(made.accesses)
    drawing = drawing_of(made.accesses, made.person, main)
    strips = intervals_of(made.accesses)
    words = [told.text for one in sections.values() for told in (*one.first, *one.more[:MORE_ON_PAPER])]
    return asked.page(
        "brief.html",
        dense=_density(weight_of(words, [item.words for item in drawing.items]) + 160 * len(strips), _DENSE_BRIEF),
        one=one,
        brief=made,
        sections=sections,
        main=main,
        drawing=drawing,
        strips=strips,
        most=MORE_ON_PAPER,
        trends=trends_of(main, history.zone) if main is not None else (),
        past=past_words(made),
        lives=lives_of(made.accesses),
    )


def sheet(asked: Asked) -> Response:
    """The sheet that goes with a patient to whoever intervenes, with its strip to send back."""
    from cli.look import beside_sheet
    from cli.printed import left_out

    one = asked.patient(did="sheet")
    history = asked.history(one.id)
    made = sheet_of_patient(asked, one, history)
    views, drawing = beside_sheet(asked.ledger, history, made)
    parts = {part.key: part for part in made.parts}
    weight = sheet_weight_of(made, [item.words for item in drawing.items])
    return asked.page(
        "sheet.html",
        dense=_density(weight, _DENSE_SHEET),
        most=_most_lines(weight),
        one=one,
        sheet=made,
        parts=parts,
        at_blanks=at_blanks,
        left_out=left_out,
        drawing=drawing,
        past=past_words(made),
        lives=lives_of(views),
        others=tuple((view.access, view.name) for view in views if view.in_body and view.access != made.access),
    )


def brief_pdf(asked: Asked) -> Response:
    """The chairside sheet as a file to print."""
    from cli.printed import brief_printed

    one = asked.patient(did="brief")
    made = brief_of_patient(asked, one, asked.history(one.id))
    return _as_file(brief_printed(made, paper=_paper(asked)), f"{one.id}-brief.pdf")


def sheet_pdf(asked: Asked) -> Response:
    """The interventionalist's sheet as a file to print."""
    from cli.look import beside_sheet
    from cli.printed import sheet_printed

    one = asked.patient(did="sheet")
    history = asked.history(one.id)
    made = sheet_of_patient(asked, one, history)
    _, drawing = beside_sheet(asked.ledger, history, made)
    return _as_file(sheet_printed(made, drawing, paper=_paper(asked)), f"{one.id}-sheet.pdf")


def _paper(asked: Asked) -> str:
    return "letter" if asked.query("paper").casefold() == "letter" else "a4"


def _as_file(content: bytes, name: str) -> Response:
    return Response(
        content, media_type="application/pdf", headers={"content-disposition": f'attachment; filename="{name}"'}
    )


# --- What is shown ------------------------------------------------------------------------------------------------


def brief_of_patient(asked: Asked, one: Patient, history: History) -> Brief:
    """The brief that the command tells, too."""
    from cli.look import brief_made
    from ledger.projections.brief import Brief

    made = brief_made(asked.ledger, one, history, asked.today(one.id))
    assert isinstance(made, Brief)
    return made


def sheet_of_patient(asked: Asked, one: Patient, history: History) -> Sheet:
    """The sheet that the command tells, too; on the access that the query names."""
    from cli.look import brief_made
    from cli.naming import access_named
    from ledger.projections.sheet import Sheet

    about = access_named(history, asked.query("access")) if asked.query("access") else None
    made = brief_made(asked.ledger, one, history, asked.today(one.id), True, about)
    assert isinstance(made, Sheet)
    return made


def sections_of(asked: Asked, history: History, made: Brief) -> Iterable[Shown]:
    """The sections of a brief, each line with what it rests on."""
    from cli.look import names_of
    from cli.naming import every_entry_name
    from ledger.projections.timeline import lines_of

    roots = {root for section in made.sections for line in section.lines for root in line.roots}
    called = {view.access: view.name for view in made.accesses}
    found = lines_of(history, roots, asked.ledger.papers.words, names_of(asked.ledger), access_name=called.get)
    names = every_entry_name(history)

    def told(line: BriefLine) -> Told:
        lines = {entry.entry: entry for root in line.roots for entry in found.get(root, ())}
        return Told(
            line.text,
            tuple(Resting(names[entry.entry], entry) for entry in lines.values()),
            tuple(root for root in line.roots if root.startswith("r-")),
        )

    for section in made.sections:
        yield _shown(section, tuple(told(line) for line in section.lines))


def _shown(section: Section, lines: tuple[Told, ...]) -> Shown:
    room = LETTERS_AT_ONCE.get(section.key)
    if room is None:
        return Shown(section.key, section.label, lines, ())
    first = 0
    for line in lines:
        room -= len(line.text)
        if first and room < 0:
            break
        first += 1
    return Shown(section.key, section.label, lines[:first], lines[first:])


def at_blanks(line: str) -> list[str]:
    """A line of the sheet in pieces, at the blanks that are to be filled in by hand.

    >>> at_blanks("Last dialysis: ______   Potassium: ______ at ____")
    ['Last dialysis: ', '   Potassium: ', ' at ', '']
    """
    return re.split("_{3,}", line)


def _density(weight: int, limits: tuple[int, ...]) -> int:
    return sum(1 for limit in limits if weight > limit)


def _most_lines(weight: int) -> int:
    """So many lines of a part of the sheet are printed where even the smallest letters do not hold all of them."""
    return 99 if weight <= _DENSE_SHEET[-1] else 8 if weight <= 11000 else 5


def weight_of(words: Iterable[str], beside: Iterable[str]) -> int:
    """How much there is to print, in letters: each line also costs the rest of its last row."""
    return max(sum(len(one) + 30 for one in words), 2 * sum(len(one) + 14 for one in beside) + 900)


def sheet_weight_of(made: Sheet, beside: Iterable[str]) -> int:
    """The same for the sheet: above stands a column beside the drawing, in the middle a table, below two columns."""
    parts = {part.key: part for part in made.parts}

    def lines(*keys: str) -> int:
        return sum(len(line) + 25 for key in keys for line in parts[key].lines) + 40 * len(keys)

    above = max(lines("why", "stop", "today", "anatomy"), 2 * sum(len(one) + 14 for one in beside) + 900)
    table = sum(max(map(len, row)) * 7 + 20 for row in parts["interventions"].table)
    below = 2 * max(lines("veins", "trend"), lines("use", "doubts", "schedule"))
    return int(above * 1.3) + table + below + lines("cautions")


def past_words(made: Brief | Sheet) -> str:
    """What a view of the past is, in words; empty for the present."""
    from ledger.projections.wording import date_words, day_words

    told = []
    if made.as_of is not None:
        told.append(f"as of {date_words(made.as_of)}")
    if made.known_on is not None:
        told.append(f"as known on {day_words(made.known_on[:10])}")
    return ", ".join(told)


def lives_of(views: Iterable[AccessView]) -> tuple[tuple[str, str], ...]:
    """The accesses of a patient, each with the path to its life; those in the body first."""
    ordered = sorted(views, key=lambda view: not view.in_body)
    return tuple((f"/access/{view.access}", view.name) for view in ordered)


PAGES = (
    Page("/patient/{patient}", brief, Right.LOOK),
    Page("/patient/{patient}/sheet", sheet, Right.LOOK),
    Page("/patient/{patient}/brief.pdf", brief_pdf, Right.LOOK),
    Page("/patient/{patient}/sheet.pdf", sheet_pdf, Right.LOOK),
)
