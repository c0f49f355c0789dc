"""A4 pages from top to bottom: headings, sentences, tables that stay together, lists, pictures.

It knows how to lay out, and nothing of what a report says (`report`). Lengths are in millimetres, letters in points.
The same content gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from fpdf import FPDF

MARGIN = 18.0
POINT = 25.4 / 72
LEADING = 1.35
"""How much higher a line is than its letters."""
TEXT, SMALL, TABLE, LEAST = 8.5, 7.0, 8.0, 5.5
GAP = 3.0
"""Between the columns of a table."""

_FAMILY = "report"


class Paper:
    """Pages that are filled from the top. `title` stands at the foot of each, with its number."""

    def __init__(self, title: str, made: datetime) -> None:
        self._pdf = _pages(title, made)
        self._pdf.add_page()

    def finished(self) -> bytes:
        """The pages as a PDF."""
        return bytes(self._pdf.output())

    def new_page(self) -> None:
        self._pdf.add_page()

    def heading(self, text: str, size: float) -> None:
        """A heading, with room below it for what it is about."""
        self._need(22)
        self._pdf.ln(3)
        self._lines(text, size, bold=True)
        self._pdf.ln(1)

    def text(self, text: str, *, size: float = TEXT, bold: bool = False) -> None:
        """Sentences, broken at words; what follows a break stands below the first word."""
        self._lines(text, size, bold=bold)

    def table(self, caption: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A caption and its table, on one page where they fit on one; the first column to the left, numbers right."""
        size, widths = self._widths([head, *rows], TABLE)
        line = size * POINT * LEADING
        self._need(min((len(rows) + 1) * line + 10, self._room))
        self._pdf.ln(1)
        self._lines(caption, TEXT, bold=True)

        def put(row: Sequence[str], bold: bool) -> None:
            self._font(size, bold)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
                self._pdf.cell(width, line, cell, align="L" if place == 0 else "R")
            self._pdf.ln(line)

        self._rows(head, rows, line, put)
        if not rows:
            self._lines("Nothing to count.", TEXT)

    def listing(self, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Rows of a list, everything to the left; the last column takes what is left of the line and is broken."""
        size = SMALL
        line = size * POINT * LEADING
        self._font(size)
        widths = [max(self._pdf.get_string_width(row[nth]) for row in [head, *rows]) + GAP for nth in range(len(head))]
        widths[-1] = max(30.0, self._pdf.epw - sum(widths[:-1]))

        def put(row: Sequence[str], bold: bool) -> None:
            self._font(size, bold)
            # A place of its own for each name of an entry: they are never broken.
            ends = self._broken(row[-1], widths[-1])
            self._need(line * len(ends))
            for cell, width in zip(row[:-1], widths[:-1], strict=True):
                self._pdf.cell(width, line, cell)
            for nth, end in enumerate(ends):
                if nth:
                    self._pdf.set_x(self._pdf.l_margin + sum(widths[:-1]))
                self._pdf.cell(widths[-1], line, end)
                self._pdf.ln(line)

        self._rows(head, rows, line, put)

    def picture(self, png: bytes, wide: float, high: float) -> None:
        """A picture of so many millimetres, smaller where the page is narrower."""
        scale = min(1.0, self._pdf.epw / wide)
        self._need(high * scale + 2)
        self._pdf.image(io.BytesIO(png), w=wide * scale, h=high * scale)
        self._pdf.ln(2)

    # --- Within ---

    @property
    def _room(self) -> float:
        return float(self._pdf.h - self._pdf.t_margin - self._pdf.b_margin)

    def _need(self, high: float) -> None:
        """Begins a page where less than this is left."""
        if self._pdf.get_y() + high > self._pdf.h - self._pdf.b_margin:
            self._pdf.add_page()

    def _font(self, size: float, bold: bool = False) -> None:
        self._pdf.set_font(_FAMILY, "B" if bold else "", size)

    def _lines(self, text: str, size: float, *, bold: bool = False) -> None:
        self._font(size, bold)
        line = size * POINT * LEADING
        indent = (len(text) - len(text.lstrip())) * 1.6
        for nth, one in enumerate(self._broken(text.strip(), self._pdf.epw - indent - 4)):
            self._need(line)
            self._pdf.set_x(self._pdf.l_margin + indent + (3 if nth else 0))
            self._pdf.cell(0, line, one)
            self._pdf.ln(line)

    def _broken(self, text: str, wide: float) -> list[str]:
        """The text in lines of at most this width, by the letters in use; at least one."""
        found = self._pdf.multi_cell(wide, 1, text, dry_run=True, output="LINES")
        return cast("list[str]", found) or [""]

    def _widths(self, rows: Sequence[Sequence[str]], size: float) -> tuple[float, list[float]]:
        """The size of letters with which the widest row fits, and the width of each column."""
        while True:
            self._font(size, bold=True)
            widths = [
                max((self._pdf.get_string_width(row[nth]) for row in rows), default=0.0) + GAP
                for nth in range(len(rows[0]))
            ]
            if sum(widths) <= self._pdf.epw or size <= LEAST:
                return size, widths
            size -= 0.25

    def _rows(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[str]],
        line: float,
        put: Callable[[Sequence[str], bool], None],
    ) -> None:
        """The head with a rule below it, and the rows; the head again on each page on which they go on."""

        def begin() -> None:
            put(head, True)
            y = self._pdf.get_y()
            self._pdf.set_line_width(0.2)
            self._pdf.line(self._pdf.l_margin, y, self._pdf.w - self._pdf.r_margin, y)

        self._need(3 * line)
        begin()
        for row in rows:
            if self._pdf.get_y() + line > self._pdf.h - self._pdf.b_margin:
                self._pdf.add_page()
                begin()
            put(row, False)
        self._pdf.ln(2)


def _pages(title: str, made: datetime) -> FPDF:
    import matplotlib
    from fpdf import FPDF
    from fpdf.enums import XPos, YPos

    class Pages(FPDF):
        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(_FAMILY, "", SMALL)
            self.cell(0, 4, f"{title}, page {self.page_no()}", align="C", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    pdf = Pages(format="a4", unit="mm")
    pdf.set_title(title)
    pdf.set_creator("access-ledger")
    pdf.set_creation_date(made)
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(False, MARGIN)
    # DejaVu Sans comes with the library that draws the plots, and has the letters of most names.
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font(_FAMILY, "", fonts / "DejaVuSans.ttf")
    pdf.add_font(_FAMILY, "B", fonts / "DejaVuSans-Bold.ttf")
    return pdf
