"""The codes that go out: one editable table, read once, its check digits verified.

`codes.tsv` holds one coding a line, under the place in the mapping that asks for it; a site adds or replaces lines
with a file of its own. A line that is not marked as verified is kept and never sent. No mapper contains a bare code:
it asks for a use, and gets the codings there are, which may be none. Our local codes come from `vocabulary` and the
kinds of entries, not from here; text goes beside every code.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from ledger.errors import WrongInput

SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
COLUMNS = ("use", "system", "code", "display", "source", "verified")


@dataclass(frozen=True, kw_only=True)
class CodeLine:
    """One line of the table."""

    use: str
    system: str
    code: str
    display: str
    source: str
    verified: bool

    @property
    def coding(self) -> dict[str, Any]:
        """As FHIR's Coding."""
        return {"system": self.system, "code": self.code, "display": self.display}


@dataclass(frozen=True)
class CodeTable:
    """All lines by use. Equal tables send equal codes."""

    lines: Mapping[str, tuple[CodeLine, ...]]

    def codings(self, use: str) -> list[CodeLine]:
        """The verified lines of a use; none where nobody has verified one."""
        return [line for line in self.lines.get(use, ()) if line.verified]

    def coding(self, use: str) -> dict[str, Any]:
        """The coding of a use that the mapping itself relies on. It is in the table, or the table is wrong."""
        found = self.codings(use)
        assert found, f"no verified code for {use}"
        return found[0].coding

    def __iter__(self) -> Iterator[CodeLine]:
        for use in self.lines:
            yield from self.lines[use]

    def replaced_by(self, changes: Iterable[CodeLine]) -> CodeTable:
        """The table with a site's lines: lines of a use replace those of the same use and system, others are added."""
        lines = dict(self.lines)
        for line in changes:
            kept = tuple(old for old in lines.get(line.use, ()) if old.system != line.system)
            lines[line.use] = (*kept, line)
        return CodeTable(lines)

    def __hash__(self) -> int:
        return hash(tuple(self))


def code_table(own: Path | None = None) -> CodeTable:
    """The shipped table, with the lines of a site's own file where there is one. Raises WrongInput."""
    shipped = _shipped()
    if own is None:
        return shipped
    try:
        text = own.read_text(encoding="utf-8")
    except OSError as error:
        raise WrongInput(
            problem=f"The code file {own} cannot be read ({error.strerror}).",
            remedy="Check the path that the FHIR settings give for `codes`.",
        ) from None
    return shipped.replaced_by(read_code_lines(text.splitlines(), where=str(own)))


@lru_cache(maxsize=1)
def _shipped() -> CodeTable:
    text = resources.files("fhir_mapping").joinpath("codes.tsv").read_text(encoding="utf-8")
    return CodeTable({}).replaced_by(read_code_lines(text.splitlines(), where="codes.tsv"))


def read_code_lines(lines: Iterable[str], where: str) -> list[CodeLine]:
    """Reads tab-separated lines with the columns of `COLUMNS`; lines that begin with # are comments.

    Raises WrongInput with the number of the line: a missing column, a blank code, or a check digit that is wrong.
    """
    found: list[CodeLine] = []
    header: list[str] | None = None
    for number, cells in enumerate(csv.reader(lines, delimiter="\t", quoting=csv.QUOTE_NONE), start=1):
        if not cells or cells[0].startswith("#"):
            continue
        if header is None:
            header = cells
            if tuple(header) != COLUMNS:
                raise _wrong(where, number, f"the columns are {', '.join(header)[:80]}")
            continue
        if len(cells) != len(COLUMNS):
            raise _wrong(where, number, f"it has {len(cells)} columns")
        use, system, code, display, source, verified = (cell.strip() for cell in cells)
        if not use or not system or not code or not display:
            raise _wrong(where, number, "use, system, code or display is empty")
        if verified not in ("yes", "no"):
            raise _wrong(where, number, f"verified is {verified[:20]!r}, not yes or no")
        if not has_right_check_digit(system, code):
            raise _wrong(where, number, f"the check digit of {code[:20]} is wrong for {system}")
        found.append(
            CodeLine(use=use, system=system, code=code, display=display, source=source, verified=verified == "yes")
        )
    return found


def _wrong(where: str, number: int, what: str) -> WrongInput:
    return WrongInput(
        problem=f"Line {number} of the code file {where} cannot be used: {what}.",
        remedy=f"A line is {len(COLUMNS)} columns separated by tabs: {', '.join(COLUMNS)}. Copy codes as text, since "
        "spreadsheets round long ones.",
    )


def has_right_check_digit(system: str, code: str) -> bool:
    """Whether a code has the form of its system. Proves form only, not that the code exists or means what it should.

    SNOMED CT: Verhoeff check digit over 6 to 18 digits. LOINC: mod-10. Other systems are not checked.
    """
    if system == SNOMED:
        return code.isascii() and code.isdigit() and 6 <= len(code) <= 18 and code[0] != "0" and _verhoeff(code) == 0
    if system == LOINC:
        number, hyphen, check = code.rpartition("-")
        if not hyphen or not number.isdigit() or not number.isascii() or len(check) != 1 or not check.isdigit():
            return False
        return _mod_ten(number) == int(check)
    return True


_TIMES = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    (1, 2, 3, 4, 0, 6, 7, 8, 9, 5),
    (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7),
    (4, 0, 1, 2, 3, 9, 5, 6, 7, 8),
    (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2),
    (7, 6, 5, 9, 8, 2, 1, 0, 4, 3),
    (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)
_SHUFFLE = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _verhoeff(digits: str) -> int:
    """Verhoeff's checksum in the dihedral group of order ten; 0 for a number with its right check digit."""
    check = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit)
        for _ in range(place % 8):
            value = _SHUFFLE[value]
        check = _TIMES[check][value]
    return check


def _mod_ten(digits: str) -> int:
    """The mod-10 check digit that LOINC uses: the odd places from the right are doubled as one number."""
    odd = str(int(digits[::-1][::2][::-1]) * 2) if digits else "0"
    even = digits[::-1][1::2][::-1]
    total = sum(int(digit) for digit in even + odd)
    return -total % 10
