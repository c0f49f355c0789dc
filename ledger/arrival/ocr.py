"""Pictures of pages → text, through the program `tesseract` where it is on the machine.

It runs as a process of its own within the bounds of the sandbox, one page at a time,
and is given each picture on its standard input, so that nothing lies in a folder.
What is recognised is always marked: a 3 may have been an 8. `pdftoppm` draws pages when
it is there; without it the pictures within the PDF file are taken as they are.
"""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
from dataclasses import dataclass, field

from ledger.arrival.opening import Document
from ledger.arrival.values import CannotRead, Limits, Why
from ledger.errors import Doubt

UNSURE_BELOW = 60
"""A word that `tesseract` is less sure of than this, of a hundred, is counted as unsure. Our own threshold."""

_LONGER_EDGE = 3508
"""Dots along the longer edge of a page: 300 an inch on A4."""


@dataclass
class Page:
    """The text of one picture, how many words it has, and how many of them are unsure."""

    text: str
    words: int
    unsure: int


@dataclass
class Recognised:
    """The text of each page that gave any, and how sure it is over all of them."""

    pages: dict[int, str] = field(default_factory=dict)
    failed: dict[CannotRead, list[int]] = field(default_factory=dict)
    words: int = 0
    unsure: int = 0

    def add(self, number: int, page: Page) -> None:
        """Adds a picture of a page; a page of several strips is put together in their order."""
        if page.text.strip():
            self.pages[number] = f"{self.pages[number]}\n{page.text}" if number in self.pages else page.text
            self.words += page.words
            self.unsure += page.unsure

    def fail(self, why: CannotRead, numbers: list[int]) -> None:
        """Pages that could not be looked at, and why; those of one reason together."""
        same = next((one for one in self.failed if (one.code, one.problem) == (why.code, why.problem)), why)
        self.failed.setdefault(same, []).extend(numbers)

    @property
    def tried_in_vain(self) -> set[int]:
        return {number for numbers in self.failed.values() for number in numbers}

    @property
    def doubts(self) -> list[Doubt]:
        """That it was recognised from a picture, and how many of its words are unsure."""
        words = (
            f"Recognised from a picture; {self.unsure} of {self.words} words are unsure. Check every number and side."
        )
        return [Doubt(code="recognised-from-a-picture", words=words)]


def image_document(original: bytes, media_type: str, limits: Limits) -> Document:
    """The text of a picture: one page, or several in a TIFF file."""
    if not is_here():
        raise missing()
    found = Recognised()
    found.add(0, recognised(original, limits))
    if not found.pages:
        raise nothing_found()
    return Document(
        text=found.pages[0],
        media_type=media_type,
        envelope={"by_ocr": True, "pages": found.pages[0].count("\f") + 1},
        several=True,
        doubts=tuple(found.doubts),
    )


def is_here() -> bool:
    """Whether `tesseract` is on the machine."""
    return shutil.which("tesseract") is not None


def missing() -> CannotRead:
    """What is said when it is not."""
    return CannotRead(
        Why.OCR_MISSING,
        "The pages are pictures, and the program that recognises letters, tesseract, is not on this machine.",
        "Install tesseract (Debian: apt-get install tesseract-ocr) and import again, or ask for the report as text.",
    )


def nothing_found() -> CannotRead:
    """What is said when a picture holds no words."""
    return CannotRead(
        Why.OCR_FOUND_NOTHING,
        "No words were recognised in the picture.",
        "Scan it upright at 300 dots an inch, or type what it says as a text file, and import that.",
    )


def too_long(seconds: float) -> CannotRead:
    """What is said when recognising takes too long."""
    return CannotRead(
        Why.TOO_LONG,
        f"Recognising the letters took longer than {seconds:g} seconds.",
        "Scan it at 300 dots an inch in black and white, split it by report, and import that.",
    )


def recognised(image: bytes, limits: Limits) -> Page:
    """The text of one picture file, which may hold several pages. Raises CannotRead when it takes too long."""
    command = [
        "tesseract",
        "stdin",
        "stdout",
        "-l",
        limits.ocr_language,
        "--psm",
        "1",
        "tsv",
    ]
    try:
        done = subprocess.run(command, input=image, capture_output=True, timeout=limits.ocr_seconds_a_page, check=False)
    except subprocess.TimeoutExpired:
        raise too_long(limits.ocr_seconds_a_page) from None
    if done.returncode != 0:
        return Page("", 0, 0)
    return _page_of(done.stdout.decode("utf-8", errors="replace"))


def _page_of(table: str) -> Page:
    """The words of tesseract's table, laid out in its lines, blocks and pages."""
    text: list[str] = []
    place = (1, 0, 0, 0)
    words = unsure = 0
    for row in csv.DictReader(io.StringIO(table), delimiter="\t", quoting=csv.QUOTE_NONE):
        word = (row.get("text") or "").strip()
        if row.get("level") != "5" or not word:
            continue
        here = (int(row["page_num"]), int(row["block_num"]), int(row["par_num"]), int(row["line_num"]))
        if text:
            text.append(
                "\f" if here[0] != place[0] else "\n\n" if here[1:3] != place[1:3] else "\n" if here != place else " "
            )
        text.append(word)
        place = here
        words += 1
        unsure += float(row["conf"]) < UNSURE_BELOW
    return Page("".join(text), words, unsure)


def page_drawn(original: bytes, number: int, limits: Limits) -> bytes | None:
    """A page of a PDF file as a picture, drawn by `pdftoppm` where it is on the machine; else None."""
    if shutil.which("pdftoppm") is None:
        return None
    page = str(number + 1)
    # A page may claim to be as large as a field: the longer edge is bounded, whatever it claims.
    command = ["pdftoppm", "-f", page, "-l", page, "-scale-to", str(_LONGER_EDGE), "-gray", "-png", "-"]
    try:
        done = subprocess.run(
            command, input=original, capture_output=True, timeout=limits.ocr_seconds_a_page, check=False
        )
    except subprocess.TimeoutExpired:
        raise too_long(limits.ocr_seconds_a_page) from None
    return done.stdout if done.stdout.startswith(b"\x89PNG") else None
