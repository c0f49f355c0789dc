"""The reader's phrases: tables beside this file, compiled once, found in a text in one pass.

A row is a phrase, what it stands for, and a sentence in which the phrase stands in
[brackets]; a test reads every row's sentence. Adding a phrase is adding a row.

The language of phrases, matched without regard to case:

    a space        any run of white space, hyphens and slashes, so that line breaks do not matter
    (x)            x or nothing: `tunnel(l)ed`
    {a|b|c}        one of these; an empty one means that it may be missing
    ..3            up to three words in between
    *              the rest of the word

Where several phrases begin at the same word, the longest one counts, and no other
phrase begins within it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.resources import files

_SEPARATOR = r"[\s\-–—/]{1,12}"
_GAP_WORD = r"(?:[^\s.;]|\.(?=\d))+\s+"
_WORD = re.compile(r"[a-z0-9]+")


@dataclass(frozen=True)
class Row:
    """One phrase of a table: its class, its attributes and its test sentence."""

    phrase: str
    cls: str
    attributes: dict[str, str] = field(hash=False)
    sentence: str
    table: str


@dataclass(frozen=True)
class Found:
    """A phrase that stands in a text, code points `start` to `end`."""

    start: int
    end: int
    row: Row

    @property
    def cls(self) -> str:
        return self.row.cls

    def get(self, name: str, default: str | None = None) -> str | None:
        return self.row.attributes.get(name, default)


def folded(text: str) -> str:
    """The text in small letters, as many code points as before, so that places in it stay the same."""
    lowered = text.lower()
    if len(lowered) == len(text):
        return lowered
    return "".join(low if len(low := one.lower()) == 1 else one for one in text)


_LONG_WORD = re.compile(r"(?<![a-z])[a-z]{6,28}(?![a-z])")


def respelt(low: str) -> str:
    """A text in small letters with the words that are one letter away from a word of `tables/spelling.tsv` put right.

    A word takes as many code points as before, so places stay the same.
    """
    parts: list[str] = []
    done = 0
    for word in _LONG_WORD.finditer(low):
        meant = _meant(word.group())
        if meant is not None:
            parts.append(low[done : word.start()])
            parts.append(meant)
            done = word.end()
    if not parts:
        return low
    parts.append(low[done:])
    return "".join(parts)


@lru_cache(maxsize=16384)
def _meant(said: str) -> str | None:
    """The word of the table that a word is one letter away from; None for a word that is right, or another one."""
    wrong, right = _spellings()
    if said in right:
        return None
    meant = next((wrong[key] for key in _patterns(said) if key in wrong), None)
    return None if meant is None or meant in said else meant


@cache
def _spellings() -> tuple[dict[str, str], frozenset[str]]:
    wrong: dict[str, str] = {}
    words = [row.phrase for row in rows_of("spelling")]
    for word in words:
        for key in _patterns(word):
            wrong.setdefault(key, word)
    return wrong, frozenset(words) | _OTHER_WORDS


_OTHER_WORDS = frozenset(
    {"stenotic", "anastomoses", "fistulae", "ligations", "residue", "brachium", "operations", "catheted", "dialyses"}
)
"""Words that are one letter from a listed one and mean something else, or are phrases of their own."""


def _patterns(word: str) -> list[str]:
    """The word with each letter in turn left open, and with each two neighbours changed about."""
    open_ones = [f"{word[:at]}?{word[at + 1 :]}" for at in range(len(word))]
    swapped = [f"{word[:at]}{word[at + 1]}{word[at]}{word[at + 2 :]}" for at in range(len(word) - 1)]
    return [*open_ones, *swapped, word]


class Phrases:
    """Finds the phrases of some tables in a text."""

    def __init__(self, rows: list[Row]) -> None:
        self._of_word: dict[str, list[tuple[re.Pattern[str], Row]]] = {}
        self._of_stem: dict[str, list[tuple[re.Pattern[str], Row]]] = {}
        for row in rows:
            tree = _parsed(row.phrase)
            pattern = re.compile(_regex(tree) + r"(?![a-z0-9])")
            for word, whole in _first_words(tree):
                if whole:
                    self._of_word.setdefault(word, []).append((pattern, row))
                else:
                    assert len(word) >= 3, f"{row.phrase!r}: at least three letters stand before a *"
                    self._of_stem.setdefault(word[:3], []).append((pattern, row))

    def begins(self, word: str) -> bool:
        """Whether any phrase begins with this word."""
        return word in self._of_word or word[:3] in self._of_stem

    def at(self, low: str, start: int, word: str) -> Found | None:
        """The longest phrase that begins at `start`, where `word` stands."""
        best: Found | None = None
        for pattern, row in (*self._of_word.get(word, ()), *self._of_stem.get(word[:3], ())):
            found = pattern.match(low, start)
            if found and (best is None or found.end() > best.end):
                best = Found(start, found.end(), row)
        return best

    def find(self, low: str) -> Iterator[Found]:
        """Every phrase in a text in small letters, in order, none within another."""
        words, stems = self._of_word, self._of_stem
        done = 0
        for word in _WORD.finditer(low):
            start = word.start()
            said = word.group()
            if start < done or (said not in words and said[:3] not in stems):
                continue
            best = self.at(low, start, said)
            if best is not None:
                done = best.end
                yield best


@cache
def rows_of(table: str) -> tuple[Row, ...]:
    """The rows of `tables/<table>.tsv`."""
    rows = []
    lines = (files("ledger.reading") / "tables" / f"{table}.tsv").read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        cells = line.split("\t")
        assert len(cells) == 3, f"{table}.tsv, line {number}: a row has three columns, separated by tabs"
        phrase, meaning, sentence = cells
        cls, *attributes = meaning.split()
        pairs = dict(one.split("=", 1) for one in attributes)
        rows.append(Row(phrase, cls, pairs, sentence, table))
    return tuple(rows)


@cache
def phrases_of(*tables: str) -> Phrases:
    """The compiled phrases of some tables."""
    return Phrases([row for table in tables for row in rows_of(table)])


# --- The language of phrases --------------------------------------------------------------------------------------

_Node = tuple[str, "str | int | list[list[_Node]]"]


def _parsed(phrase: str) -> list[_Node]:
    nodes, rest = _sequence(phrase, 0, "")
    assert rest == len(phrase), f"{phrase!r}: a bracket too many"
    return nodes


def _sequence(phrase: str, at: int, until: str) -> tuple[list[_Node], int]:
    nodes: list[_Node] = []
    while at < len(phrase) and phrase[at] not in until:
        one = phrase[at]
        if one == "{":
            options = []
            while phrase[at] != "}":
                option, at = _sequence(phrase, at + 1, "|}")
                options.append(option)
            nodes.append(("one", options))
            at += 1
        elif one == "(":
            option, at = _sequence(phrase, at + 1, ")")
            nodes.append(("one", [option, []]))
            at += 1
        elif phrase.startswith("..", at):
            digits = re.compile(r"\.\.(\d+) ?").match(phrase, at)
            assert digits, f"{phrase!r}: .. needs a number"
            nodes.append(("gap", int(digits[1])))
            at = digits.end()
        elif one in " -/":
            nodes.append(("space", " "))
            at += 1
        elif one == "*":
            nodes.append(("rest", "*"))
            at += 1
        else:
            nodes.append(("letter", one))
            at += 1
    return nodes, at


def _regex(nodes: list[_Node]) -> str:
    parts: list[str] = []
    for kind, value in nodes:
        if kind == "one":
            assert isinstance(value, list)
            # The first alternative that fits is taken, so the longer ones come first.
            options = sorted((_regex(option) for option in value), key=len, reverse=True)
            parts.append("(?:" + "|".join(options) + ")")
        elif kind == "gap":
            if parts and parts[-1] == _SEPARATOR:
                parts[-1] = "[,:]?" + _SEPARATOR
            parts.append(f"(?:{_GAP_WORD}){{0,{value}}}?")
        elif kind == "space":
            parts.append(_SEPARATOR)
        elif kind == "rest":
            parts.append(r"\w*")
        else:
            assert isinstance(value, str)
            parts.append(re.escape(value))
    return "".join(parts)


def _first_words(nodes: list[_Node]) -> set[tuple[str, bool]]:
    """The words with which a phrase can begin, and whether each is whole or only the stem before a `*`."""
    return {(word, state != "stem") for word, state in _leads(nodes, {("", "open")}) if word}


def _leads(nodes: list[_Node], so_far: set[tuple[str, str]]) -> set[tuple[str, str]]:
    for kind, value in nodes:
        if all(state != "open" for _, state in so_far):
            return so_far
        if kind == "one":
            assert isinstance(value, list)
            so_far = {lead for option in value for lead in _leads(option, so_far)}
        elif kind == "letter":
            assert isinstance(value, str)
            so_far = {
                (lead, state) if state != "open" else (lead + value, "open") if value.isalnum() else (lead, "whole")
                for lead, state in so_far
            }
        else:
            closed = "stem" if kind == "rest" else "whole"
            so_far = {(lead, closed if state == "open" else state) for lead, state in so_far}
    return so_far
