"""The brief and the sheet as a file to print: one page of A4 or Letter, in black and white as legible as in colour.

Laid out with fpdf2 in a typeface that has the letters of most names. A page is made with the largest letters with which
all of it fits; below the smallest that can be read, what can wait is counted instead of told, and the count is printed.

To print something more, put it into `ledger.projections`; here it is only laid out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from cli.pages.drawing import WIDTH, Disc, Drawing, Lettering, Shape, Stroke, drawing_of
from ledger.projections.brief import CAUTIONS, access_to_use

if TYPE_CHECKING:
    from fpdf import FPDF

    from ledger.projections.brief import Brief, Section
    from ledger.projections.sheet import Part, Sheet
    from ledger.rounds.sheets import ShiftSheet

Paper = Literal["a4", "letter"]
SIZES = (9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
"""Sizes of letters in points, the largest first; 6 points is what a package leaflet may not go below in many places."""

ROUNDS_OVERLEAF = 8.0
"""The size of letters of a shift whose lines do not fit on one page."""

MARGIN = 10.0
POINT = 25.4 / 72
_FAMILY = "sheet"


def brief_printed(made: Brief, *, paper: str = "a4") -> bytes:
    """The chairside sheet of a brief, as the bytes of a PDF of one page. `paper` is `a4` or `letter`."""
    drawing = drawing_of(made.accesses, made.person, access_to_use(made.accesses))
    return _fitted(lambda size, most: _brief_page(made, drawing, _paper(paper), size, most))


def sheet_printed(made: Sheet, drawing: Drawing, *, paper: str = "a4") -> bytes:
    """The interventionalist's sheet, as the bytes of a PDF of one page."""
    return _fitted(lambda size, most: _sheet_page(made, drawing, _paper(paper), size, most))


def rounds_printed(sheets: Sequence[ShiftSheet], *, paper: str = "a4") -> bytes:
    """What rounds bring up, as the bytes of a PDF: one page a shift, in the largest letters with which it fits.

    A shift with more than fits goes on overleaf at a size that can be read: no line is left out.
    """
    pdf = _page(_paper(paper), "Rounds")
    for nth, sheet in enumerate(sheets):
        if nth:
            pdf.add_page()
        size = _size_that_fits(sheet, _paper(paper))
        pdf.set_auto_page_break(size is None, MARGIN)
        _shift(_Ink(pdf, size or ROUNDS_OVERLEAF), sheet)
    return bytes(pdf.output())


def _size_that_fits(sheet: ShiftSheet, paper: Paper) -> float | None:
    for size in SIZES:
        try:
            _shift(_Ink(_page(paper, "Rounds"), size), sheet)
        except _TooLong:
            continue
        return size
    return None


def _shift(ink: _Ink, sheet: ShiftSheet) -> None:
    wide = ink.pdf.epw
    ink.text(sheet.title, wide, bold=True, scale=1.15)
    ink.text(sheet.summary, wide)
    for part in sheet.parts():
        ink.pdf.set_y(ink.pdf.get_y() + 0.8)
        ink.text(f"{part.place}. {part.heading}" if part.place is not None else part.heading, wide, bold=True)
        ink.rule(MARGIN, wide)
        for nth, line in enumerate(part.lines):
            ink.gap(nth)
            ink.text(line.text, wide - 3, x=MARGIN + 3)
    _foot(ink, ("", *CAUTIONS[-2:]))


def _paper(named: str) -> Paper:
    return "letter" if named.casefold() == "letter" else "a4"


class _TooLong(Exception):
    """The page does not hold it at this size."""


def _fitted(page: Callable[[float, int | None], FPDF]) -> bytes:
    for size in SIZES:
        try:
            return bytes(page(size, None).output())
        except _TooLong:
            continue
    # Smaller letters nobody reads at a chair: from here what can wait is counted, section by section.
    for most in (6, 5, 4, 3, 2, 1, 0):
        try:
            return bytes(page(SIZES[-1], most).output())
        except _TooLong:
            continue
    raise AssertionError("a page that tells nothing did not fit")


# --- The pages ----------------------------------------------------------------------------------------------------

_CAN_WAIT = ("needle", "background", "intervention", "others", "due")


def _brief_page(made: Brief, drawing: Drawing, paper: Paper, size: float, most: int | None) -> FPDF:
    pdf = _page(paper, f"Brief of {made.patient}")
    ink = _Ink(pdf, size)
    sections = {section.key: section for section in made.sections}
    _identity(ink, [line.text for line in sections["identity"].lines])
    _stop_box(ink, sections["stop"], most)
    top = pdf.get_y()
    beside = 62.0
    left = pdf.epw - beside - 4
    pdf.set_y(top)
    for key in ("access", "look", "needle", "background", "intervention", "others", "due"):
        section = sections[key]
        if section.lines:
            texts = [line.text for line in section.lines]
            _labelled(ink, section.label, _some(texts, most if key in _CAN_WAIT else None), left)
    bottom = pdf.get_y()
    _drawn(ink, drawing, MARGIN + left + 4, top, beside, most)
    pdf.set_y(max(bottom, pdf.get_y()) + 1.5)
    told = [line.text for line in (*sections["recorded"].lines, *sections["cautions"].lines)]
    _foot(ink, told)
    return pdf


def _sheet_page(made: Sheet, drawing: Drawing, paper: Paper, size: float, most: int | None) -> FPDF:
    pdf = _page(paper, f"Sheet for an intervention, {made.patient}")
    ink = _Ink(pdf, size)
    parts = {part.key: part for part in made.parts}
    identity = parts["identity"].lines
    asked = [line for line in identity if line.split(":")[0] in ("Contact", "Consent", "Language")]
    _identity(ink, [line for line in identity if line not in asked])
    ink.text("   ".join(asked), pdf.epw)
    top = pdf.get_y() + 0.6
    beside = 54.0
    left = pdf.epw - beside - 4
    pdf.set_y(top)
    for key in ("why", "stop", "today", "anatomy"):
        _part(ink, parts[key], left, None if key in ("why", "stop", "today") else most)
    bottom = pdf.get_y()
    _drawn(ink, drawing, MARGIN + left + 4, top, beside, most)
    pdf.set_y(max(bottom, pdf.get_y()) + 0.5)
    _table(ink, parts["interventions"], most)
    half = pdf.epw / 2 - 2
    start = pdf.get_y()
    ends = []
    for keys, x in ((("veins", "trend"), MARGIN), (("use", "doubts", "schedule"), MARGIN + half + 4)):
        pdf.set_y(start)
        for key in keys:
            _part(ink, parts[key], half, most, x)
        ends.append(pdf.get_y())
    pdf.set_y(max(ends) + 1)
    _strip(ink, parts["back"])
    _foot(ink, parts["cautions"].lines)
    return pdf


def _page(paper: Paper, title: str) -> FPDF:
    from fpdf import FPDF

    pdf = FPDF(format=paper, unit="mm")
    pdf.set_title(title)
    pdf.set_creator("access-ledger")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(False)
    fonts = _fonts()
    pdf.add_font(_FAMILY, "", fonts / "DejaVuSans.ttf")
    pdf.add_font(_FAMILY, "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.add_page()
    return pdf


@lru_cache(maxsize=1)
def _fonts() -> Path:
    """The folder of DejaVu Sans, which comes with the library that draws the plots."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


_BOX = "\N{WHITE SQUARE}"


@lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    """The code points for which the typeface has a letter, thin and bold alike."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]  # fpdf2 reads its typefaces with it

    found = []
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        with TTFont(_fonts() / name, lazy=True) as font:
            found.append(frozenset(font.getBestCmap()))
    return found[0] & found[1]


class _Ink:
    """Writes lines on a page, from where the page stands, and says when it is full."""

    def __init__(self, pdf: FPDF, size: float) -> None:
        self.pdf = pdf
        self.size = size
        self.lacks_letters = False

    @property
    def bottom(self) -> float:
        return self.pdf.h - MARGIN

    def text(self, words: str, wide: float, *, x: float = MARGIN, bold: bool = False, scale: float = 1.0) -> None:
        """A paragraph of this width. Raises _TooLong where it would run off the page."""
        size = self.size * scale
        self.pdf.set_font(_FAMILY, "B" if bold else "", size)
        self.pdf.set_x(x)
        self.pdf.multi_cell(wide, size * POINT * 1.16, self.printable(words), align="L", new_x="LMARGIN", new_y="NEXT")
        self.check()

    def printable(self, words: str) -> str:
        """Words as one line; a letter that the typeface does not have becomes a box, and the foot then says so."""
        letters = _letters()
        line = " ".join(words.split())
        if all(ord(letter) in letters for letter in line):
            return line
        self.lacks_letters = True
        return "".join(letter if ord(letter) in letters else _BOX for letter in line)

    def check(self) -> None:
        """Raises _TooLong where something was written below the margin."""
        if self.pdf.get_y() > self.bottom:
            raise _TooLong

    def gap(self, nth: int) -> None:
        """A little air before every paragraph but the first, so that one sees where the next begins."""
        if nth:
            self.pdf.set_y(self.pdf.get_y() + self.size * 0.045)

    def rule(self, x: float, wide: float) -> None:
        """A thin line across."""
        y = self.pdf.get_y() + 0.4
        self.pdf.set_line_width(0.15)
        self.pdf.line(x, y, x + wide, y)
        self.pdf.set_y(y + 0.4)


def left_out(key: str, lines: int, most: int | None) -> range:
    """Which of the lines of a part are counted instead of printed, where only `most` have room.

    Of a trend the oldest, of the vein book those in the middle (catheters stand first, the newest looks last), else
    the last.
    """
    if most is None or lines <= most:
        return range(0)
    if key == "trend":
        return range(lines - most)
    if key == "veins":
        return range(most // 2, lines - (most - most // 2))
    return range(most, lines)


def _some(texts: Sequence[str], most: int | None, key: str = "") -> list[str]:
    out = left_out(key, len(texts), most)
    if not out:
        return list(texts)
    note = f"… {len(out)} {'earlier' if key == 'trend' else 'more'}, in the ledger"
    return [*texts[: out.start], note, *texts[out.stop :]]


def _identity(ink: _Ink, lines: Sequence[str]) -> None:
    first, *others = lines
    ink.text(first, ink.pdf.epw, bold=True, scale=1.2)
    for line in others:
        ink.text(line, ink.pdf.epw, bold=True, scale=1.1 if line.startswith("VIEW AS") else 1.0)
    ink.pdf.set_y(ink.pdf.get_y() + 0.8)


def _stop_box(ink: _Ink, section: Section, most: int | None) -> None:
    """What stops a hand: in a heavy frame, all of it at every size but the smallest."""
    if not section.lines:
        return
    pdf = ink.pdf
    top = pdf.get_y()
    pdf.set_y(top + 1.2)
    ink.text(section.label, pdf.epw - 6, x=MARGIN + 4, bold=True, scale=0.9)
    texts = [line.text for line in section.lines]
    for nth, text in enumerate(_some(texts, None if most is None or most > 1 else 8)):
        ink.gap(nth)
        ink.text(text, pdf.epw - 6, x=MARGIN + 4, bold=True)
    end = pdf.get_y() + 1.0
    pdf.set_line_width(0.5)
    pdf.rect(MARGIN, top, pdf.epw, end - top)
    pdf.set_fill_color(0, 0, 0)
    pdf.rect(MARGIN, top, 2.2, end - top, style="F")
    pdf.set_y(end + 1.2)


def _labelled(ink: _Ink, label: str, texts: Sequence[str], wide: float) -> None:
    pdf = ink.pdf
    ink.rule(MARGIN, wide)
    top, column = pdf.get_y(), 24.0
    ink.text(label, column, bold=True, scale=0.92)
    after = pdf.get_y()
    pdf.set_y(top)
    for nth, text in enumerate(texts):
        ink.gap(nth)
        ink.text(text, wide - column - 2, x=MARGIN + column + 2, bold=label == "Access" and nth == 0)
    pdf.set_y(max(after, pdf.get_y()) + 0.3)


def _part(ink: _Ink, part: Part, wide: float, most: int | None, x: float = MARGIN) -> None:
    if part.heading:
        ink.pdf.set_y(ink.pdf.get_y() + 0.8)
        ink.text(part.heading, wide, x=x, bold=True)
        ink.rule(x, wide)
    for nth, text in enumerate(_some(part.lines, most, part.key)):
        ink.gap(nth)
        ink.text(text, wide, x=x, scale=0.94)


_SHARES = (0.14, 0.19, 0.12, 0.13, 0.2, 0.12, 0.1)


def _table(ink: _Ink, part: Part, most: int | None) -> None:
    pdf = ink.pdf
    pdf.set_y(pdf.get_y() + 0.8)
    ink.text(part.heading, pdf.epw, bold=True)
    ink.rule(MARGIN, pdf.epw)
    header, *rows = part.table
    left_out = 0
    if most is not None and len(rows) > most * 3:
        # The newest stay: they are what the next one rests on.
        left_out = len(rows) - most * 3
        rows = rows[left_out:]
    for nth, row in enumerate((header, *rows)):
        top = pdf.get_y()
        end = top
        x = MARGIN
        for cell, share in zip(row, _SHARES, strict=True):
            pdf.set_y(top)
            if cell:
                ink.text(cell, pdf.epw * share - 1, x=x, bold=nth == 0, scale=0.88)
            end = max(end, pdf.get_y())
            x += pdf.epw * share
        pdf.set_y(end)
    if left_out:
        ink.text(f"… {left_out} earlier, in the ledger", pdf.epw, scale=0.88)


def _strip(ink: _Ink, part: Part) -> None:
    """The blanks to fill in by hand: rows as high as writing, whatever the size of the letters."""
    pdf = ink.pdf
    ink.text(part.heading, pdf.epw, bold=True)
    pdf.set_line_width(0.2)
    high, column = 6.2, 40.0
    for line in part.lines:
        y = pdf.get_y()
        pdf.rect(MARGIN, y, column, high)
        pdf.rect(MARGIN + column, y, pdf.epw - column, high)
        pdf.set_y(y + (high - ink.size * POINT) / 2 - 0.4)
        ink.text(line.split(":")[0], column - 2, x=MARGIN + 1, bold=True)
        pdf.set_y(y + high)
        ink.check()


def _foot(ink: _Ink, lines: Sequence[str]) -> None:
    ink.rule(MARGIN, ink.pdf.epw)
    for nth, line in enumerate(lines):
        ink.text(line, ink.pdf.epw, bold=nth == 0, scale=0.86)
    if ink.lacks_letters:
        ink.text(
            f"{_BOX} stands for a letter that cannot be printed here: compare the number and the birth date.",
            ink.pdf.epw,
            bold=True,
            scale=0.86,
        )


# --- The drawing --------------------------------------------------------------------------------------------------


def _drawn(ink: _Ink, drawing: Drawing, x: float, y: float, wide: float, most: int | None) -> None:
    """The figure in its column, and below it the list that says all of it in words."""
    pdf = ink.pdf
    scale = wide / WIDTH
    for shape in drawing.shapes:
        _shape(pdf, shape, x, y, scale)
    pdf.set_draw_color(0, 0, 0)
    pdf.set_text_color(0, 0, 0)
    pdf.set_dash_pattern()
    pdf.set_y(y + drawing.height * scale + 1)
    texts = [f"{item.number}  {item.words}" for item in drawing.items]
    for nth, text in enumerate(_some(texts, None if most is None else most * 2)):
        ink.gap(nth)
        ink.text(text, wide, x=x, scale=0.86)
    ink.text(
        "Dashed: arterial. Unbroken: venous. Arrow: recorded direction of flow; ?: not recorded. Two lines: graft. "
        "Hatched: not here without the access centre's word.",
        wide,
        x=x,
        scale=0.78,
    )


def _shape(pdf: FPDF, shape: Shape, x: float, y: float, scale: float) -> None:
    def at(point: tuple[float, float]) -> tuple[float, float]:
        return x + point[0] * scale, y + point[1] * scale

    match shape:
        case Stroke():
            pdf.set_draw_color(*_rgb(shape.colour))
            pdf.set_line_width(shape.width * scale)
            dash = shape.dash
            # The ends of dashes are square on paper and reach into the gaps, so these are made wider by as much.
            reach = shape.width * scale
            on_off = (0.0, 0.0) if dash is None else (dash[0] * scale, dash[1] * scale + reach)
            pdf.set_dash_pattern(*on_off)
            if shape.fill is not None:
                pdf.set_fill_color(*_rgb(shape.fill))
            points = [at(point) for point in shape.points]
            style: Any = "DF" if shape.fill is not None else "D"
            pdf.polyline(points, polygon=shape.closed, style=style)
        case Disc():
            pdf.set_draw_color(*_rgb(shape.colour))
            pdf.set_line_width(shape.width * scale)
            pdf.set_dash_pattern()
            if shape.fill is not None:
                pdf.set_fill_color(*_rgb(shape.fill))
            cx, cy = at(shape.at)
            pdf.circle(cx, cy, shape.radius * scale, style="DF" if shape.fill is not None else "D")
        case Lettering():
            pdf.set_text_color(*_rgb(shape.colour))
            pdf.set_font(_FAMILY, "B" if shape.bold else "", shape.size * scale / POINT)
            tx, ty = at(shape.at)
            wide = pdf.get_string_width(shape.words)
            shift = {"middle": wide / 2, "end": wide}.get(shape.anchor, 0.0)
            pdf.text(tx - shift, ty, shape.words)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
