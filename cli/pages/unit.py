"""Unit today: what rounds bring up for a unit, a sheet a shift, and where a person sets a line aside with a reason.

The lines are those of the command `rounds`; a page only narrows them to a shift or a line, and prints one sheet a
shift. A line that was set aside stands at the foot of its sheet with who put it off, until when and why.

To bring up something more, see `ledger.rounds.lines`; a page adds nothing of its own.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.doors import cookie_name
from cli.pages.rights import Right
from cli.pages.site import Page
from cli.rounds import Before

if TYPE_CHECKING:
    from ledger.people import Unit
    from ledger.rounds.sheets import ShiftSheet

_before = Before()

CHOSEN = "unit_today"
"""The cookie with the id of the unit that was chosen last; it names no patient and goes when the browser is closed."""

SMALL_HOUSE = 400
"""Up to so many patients that whoever asks may see, the first unit is shown without being asked for."""

NO_SHIFT = "-"
"""How the address says that only those are meant whose shift nobody recorded."""


def rounds(asked: Asked) -> Response:
    """What must not be forgotten in a unit today, in the order of the ward."""
    from ledger.projections.brief import CAUTIONS
    from ledger.rounds.lines import HEADINGS, ORDER

    units = _units(asked)
    unit = _unit(asked, units)
    is_named = bool(asked.query("unit"))
    if unit is None:
        unit = _last_chosen(asked, units) or _first_of_few(asked, units)
    sheets = () if unit is None else _sheets(asked, unit)
    shifts = [sheet.shift for sheet in sheets]
    shift, line = asked.query("shift"), asked.query("line")
    if shift:
        sheets = tuple(sheet for sheet in sheets if (sheet.shift or NO_SHIFT) == shift)
    answer = asked.page(
        "rounds.html",
        units=units,
        unit=unit,
        is_default=unit is not None and not is_named and len(units) > 1,
        shifts=shifts,
        shift=shift,
        line=line,
        no_shift=NO_SHIFT,
        headings=[(which.value, f"{ORDER[which] + 1}. {heading}") for which, heading in HEADINGS.items()],
        sheets=[(sheet, [part for part in sheet.parts() if line in ("", part.key)]) for sheet in sheets],
        cautions=CAUTIONS[-2:],
        today=asked.today(),
    )
    if is_named and unit is not None:
        request = asked.request
        secure = request.url.scheme == "https"
        answer.set_cookie(cookie_name(request, CHOSEN), unit.id, httponly=True, samesite="lax", secure=secure)
    return answer


def rounds_pdf(asked: Asked) -> Response:
    """The same as a file to print, one page a shift."""
    from cli.printed import rounds_printed
    from ledger.errors import WrongInput

    unit = _unit(asked, _units(asked))
    if unit is None:
        return asked.to("/rounds")  # where a unit is chosen
    shift = asked.query("shift")
    sheets = [sheet for sheet in _sheets(asked, unit) if shift in ("", sheet.shift or NO_SHIFT)]
    if not sheets:
        raise WrongInput("There is nothing to print: no patient fits.", "Choose another shift on the page Unit today.")
    paper = "letter" if asked.query("paper").casefold() == "letter" else "a4"
    return Response(
        rounds_printed(sheets, paper=paper),
        media_type="application/pdf",
        headers={"content-disposition": f'attachment; filename="{unit.id}-rounds.pdf"'},
    )


def set_aside(asked: Asked) -> Response:
    """A person puts a line off until a day, with a reason."""
    from cli.acting import line_set_aside

    one = asked.patient(did="set-aside")
    history = asked.ledger.history(one.id, sessions=True)
    line_set_aside(
        asked.ledger,
        history,
        asked.today(one.id),
        asked.field("line"),
        asked.field("until"),
        asked.field("why"),
        asked.signature(),
        access=asked.field("access") or None,
        about=asked.field("about") or None,
    )
    return _back(asked, one.unit)


def _back(asked: Asked, unit: str | None) -> Response:
    kept = {"unit": unit or "", "shift": asked.field("shift"), "line": asked.field("only")}
    return asked.to("/rounds", {name: value for name, value in kept.items() if value})


def _units(asked: Asked) -> list[Unit]:
    return [one for one in asked.ledger.who.units() if asked.who.sees_unit(one.id)]


def _unit(asked: Asked, units: list[Unit]) -> Unit | None:
    """The unit that is asked for, or the only one there is. Raises NotFound in the same words for a foreign one."""
    from ledger.errors import NotFound

    named = asked.query("unit")
    if not named:
        return units[0] if len(units) == 1 else None
    for one in units:
        if one.id == named:
            return one
    raise NotFound("There is no such unit that you may see.", "Choose one from the list.")


def _last_chosen(asked: Asked, units: list[Unit]) -> Unit | None:
    """The unit that was chosen last in this browser, as far as whoever asks now may see it."""
    held = asked.request.cookies.get(cookie_name(asked.request, CHOSEN), "")
    return next((one for one in units if one.id == held), None)


def _first_of_few(asked: Asked, units: list[Unit]) -> Unit | None:
    """The first unit that has patients, where all of those units together have few."""
    rows = asked.ledger.db.execute(
        "SELECT unit, COUNT(*) FROM patients WHERE org=? GROUP BY unit", (asked.ledger.org,)
    ).fetchall()
    patients = {unit: number for unit, number in rows if asked.who.sees_unit(unit)}
    if sum(patients.values()) > SMALL_HOUSE:
        return None
    return next((one for one in units if patients.get(one.id)), None)


def _sheets(asked: Asked, unit: Unit) -> tuple[ShiftSheet, ...]:
    from cli.options import day_from
    from cli.rounds import rounds_made, rules_in_use

    asked.note("rounds", about=unit.id)
    on = asked.query("on")
    day: date | None = day_from(on, "the day") if on else asked.day
    return rounds_made(asked.ledger, rules_in_use(), unit=unit.id, day=day, before=_before)


PAGES = (
    Page("/rounds", rounds, Right.LOOK, menu="Unit today", examples=("/rounds?unit=fern-valley-home",)),
    Page("/rounds.pdf", rounds_pdf, Right.LOOK, examples=("/rounds.pdf?unit=fern-valley-home",)),
    Page("/patient/{patient}/set-aside", set_aside, Right.ENTER, methods=("POST",), largest=20_000),
)
