"""Flags and prompts made from the classes of `ledger.events`, so that a new kind needs no new code here.

`fields_of(kind)` says what can be told of a kind, and `told(...)` makes plain JSON values of what was typed, ready for
the border (`ledger.entries.border_of`). What a person types:

- a date: 2019, 2019-03, 2019-03-04, 2019-03-04T10:30, or `today` and `yesterday`;
- a quantity: 812.50, <20, ~5, 3-4, `80 estimated`; its unit is the one in the field's name;
- a choice: its word, or the beginning of it;
- several: the option once more, or with commas where it is asked for;
- a thing with parts (a lesion, a stent): `place=cephalic-arch,stenosis_percent=80`, or JSON; parts of a part with a
  dot, `balloons.diameter_mm=8`, and a second one with its number, `balloons.2.diameter_mm=10`;
- another entry: P0007.12.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date, timedelta
from enum import Enum, StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from ledger import events
from ledger.dates import PartialDate
from ledger.errors import WrongInput
from ledger.events import KINDS, Words
from ledger.measured import Measured, measured

NOT_BY_HAND = frozenset({"correction", "retraction", "report-reviewed"})
"""Kinds that have a command of their own."""

BY_HAND = tuple(kind for kind in KINDS if kind not in NOT_BY_HAND)

UNITS = {
    "mmol_l": "mmol/L",
    "ml_min": "mL/min",
    "mmhg": "mmHg",
    "percent": "%",
    "mm": "mm",
    "cm": "cm",
    "fr": "French",
    "atm": "atm",
    "kg": "kg",
    "ml": "mL",
    "l": "L",
    "min": "minutes",
    "minutes": "minutes",
    "hours": "hours",
}
"""What the ending of a field's name says of its unit; the longer ending first."""

_LABELS = {"kt_v": "Kt/V"}


class Shape(StrEnum):
    """What sort of value a field holds, as far as typing it is concerned."""

    DATE = "date"
    QUANTITY = "quantity"
    CHOICE = "choice"
    YES_NO = "yes-no"
    WHOLE = "whole number"
    ID = "id"
    ENTRY = "entry"
    WORDS = "words"
    TEXT = "text"
    PARTS = "parts"


@dataclass(frozen=True, kw_only=True)
class Field:
    """One field of a kind or of a part: its name in the class, how it is typed, and whether it must be.

    `of` is the sort of id that it holds (`AccessId`, `VisitId`, …); `parts` are the fields of each part.
    """

    name: str
    shape: Shape
    required: bool
    several: bool
    choices: tuple[str, ...] = ()
    of: str = ""
    parts: tuple[Field, ...] = ()

    @property
    def option(self) -> str:
        """`--flow-ml-min`; for what can be told several times, the singular: `--lesion`."""
        return "--" + _singular(self.name, self.several).replace("_", "-")

    @property
    def label(self) -> str:
        """The name in words with its unit: `flow (mL/min)`."""
        name = _singular(self.name, self.several)
        if name in _LABELS:
            return _LABELS[name]
        for ending, unit in UNITS.items():
            if self.shape is Shape.QUANTITY and name.endswith("_" + ending):
                return f"{name.removesuffix('_' + ending).replace('_', ' ')} ({unit})"
        return name.replace("_", " ")

    @property
    def form(self) -> str:
        """How a value is written, for the help."""
        return {
            Shape.DATE: "DATE",
            Shape.QUANTITY: "QUANTITY",
            Shape.WHOLE: "NUMBER",
            Shape.ID: {"AccessId": "ACCESS", "PersonId": "PERSON", "PatientId": "PATIENT"}.get(self.of, "ID"),
            Shape.ENTRY: "ENTRY",
            Shape.WORDS: "WORDS",
            Shape.TEXT: "TEXT",
            Shape.PARTS: "PART=VALUE,…",
        }.get(self.shape, "")


def sentence_about(kind: str) -> str:
    """The first sentence of what the class of a kind says of itself."""
    doc = " ".join((KINDS[kind].__doc__ or "").split())
    found = re.match(r".*?[.?!](?=\s|$)", doc)
    return found[0] if found else doc


@cache
def fields_of(kind: str) -> tuple[Field, ...]:
    """What can be told of a kind: what must be first, in the order of the class."""
    return _fields_of(KINDS[kind])


def _fields_of(cls: Any) -> tuple[Field, ...]:
    hints = get_type_hints(cls, vars(events), include_extras=True)
    found = [
        _field(one.name, hints[one.name], str(one.type), one.default is MISSING)
        for one in fields(cls)
        if not (one.name == "kind" and issubclass(cls, events.Happening))
    ]
    return tuple(sorted(found, key=lambda field: (not field.required, field.name == "note")))


def _field(name: str, hint: Any, said: str, required: bool) -> Field:
    hint = _bare(hint)
    several = get_origin(hint) is tuple
    if several:
        hint = _bare(get_args(hint)[0])
    # The kinds of ids are all strings to Python; what the class says by name tells them apart.
    ids = re.findall(r"\b[A-Z][A-Za-z]+Id\b", said)
    shape, choices, parts = _shape_of(hint)
    if ids and shape is Shape.TEXT:
        shape = Shape.ENTRY if ids[0] == "EntryId" else Shape.ID
    return Field(
        name=name, shape=shape, required=required, several=several, choices=choices, of="".join(ids[:1]), parts=parts
    )


def _shape_of(hint: Any) -> tuple[Shape, tuple[str, ...], tuple[Field, ...]]:
    if hint is PartialDate:
        return Shape.DATE, (), ()
    if hint is Measured:
        return Shape.QUANTITY, (), ()
    if hint is Words:
        return Shape.WORDS, (), ()
    if hint is bool:
        return Shape.YES_NO, (), ()
    if hint is int:
        return Shape.WHOLE, (), ()
    if get_origin(hint) is Literal:
        return Shape.CHOICE, tuple(str(getattr(one, "value", one)) for one in get_args(hint)), ()
    if isinstance(hint, type) and issubclass(hint, Enum):
        return Shape.CHOICE, tuple(str(one.value) for one in hint), ()
    if is_dataclass(hint):
        return Shape.PARTS, (), _fields_of(hint)
    return Shape.TEXT, (), ()


def _bare(hint: Any) -> Any:
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif get_origin(hint) in (Union, UnionType):
            inner = [one for one in get_args(hint) if one is not NoneType]
            if len(inner) != 1:
                return hint
            hint = inner[0]
        else:
            return hint


def _singular(name: str, several: bool) -> str:
    if not several:
        return name
    if name in ("suitable_for", "why"):
        return name
    first, _, rest = name.partition("_")
    if rest in ("found", "to_spare"):  # accesses_found, vessels_to_spare
        return f"{_singular(first, True)}_{rest}"
    for ending, one in (("ies", "y"), ("sses", "ss"), ("s", "")):
        if name.endswith(ending) and not name.endswith("ss"):
            return name.removesuffix(ending) + one
    return name


# --- From what was typed to plain values --------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Around:
    """What the words of a person need to become values: which day it is, and the doors to the ledger.

    `keep` keeps typed words and gives their place in a text; `entry` and `access` find ids by what people call them.
    """

    today: date
    keep: Callable[[str], dict[str, Any]]
    entry: Callable[[str], str]
    access: Callable[[str], str]
    mint: Callable[[Field, Mapping[str, Any]], str | None]
    named: Callable[[str, str], str] = lambda of, text: text
    """The id of what somebody names, for the sorts of ids that people call by something else."""


def told(kind_fields: Iterable[Field], typed: Mapping[str, Any], around: Around) -> dict[str, Any]:
    """Plain values of what was typed, by field name. What was not typed is not there.

    Raises WrongInput, which names the field and never repeats the words.
    """
    found: dict[str, Any] = {}
    for field in kind_fields:
        value = typed.get(field.name)
        if value is None or value == [] or value == ():
            continue
        if field.several:
            several = [value] if isinstance(value, str | Mapping) else list(value)
            found[field.name] = [_one(field, item, around, nth) for nth, item in enumerate(several, start=1)]
        else:
            found[field.name] = _one(field, value, around, None)
    return found


def _one(field: Field, value: Any, around: Around, nth: int | None) -> Any:
    where = field.option + (f" (the {nth}.)" if nth is not None and nth > 1 else "")
    match field.shape:
        case Shape.DATE:
            return date_from(value, around.today, where)
        case Shape.QUANTITY:
            return _quantity(value, where)
        case Shape.CHOICE:
            return choice_from(field, str(value), where)
        case Shape.YES_NO:
            return _yes_no(value, where)
        case Shape.WHOLE:
            return _whole(value, where)
        case Shape.WORDS:
            return value if isinstance(value, Mapping) else around.keep(str(value).strip())
        case Shape.ENTRY:
            return around.entry(str(value))
        case Shape.ID if field.of == "AccessId":
            return around.access(str(value))
        case Shape.ID:
            return around.named(field.of, str(value).strip())
        case Shape.PARTS:
            return _parts(field, value, around, where)
        case _:
            return str(value).strip()


def date_from(value: Any, today: date, where: str) -> str:
    """A date as it was typed; `today`, `yesterday` and `3 days ago` become days."""
    text = str(value).strip()
    if text.lower() in ("today", "yesterday"):
        return (today - timedelta(days=text.lower() == "yesterday")).isoformat()
    try:
        return str(PartialDate(text))
    except ValueError:
        raise WrongInput(
            f"What {where} says is not a date.",
            "Write 2019, 2019-03, 2019-03-04, 2019-03-04T10:30, today or yesterday; unknown parts are left out.",
        ) from None


def _quantity(value: Any, where: str) -> dict[str, str]:
    if isinstance(value, Mapping):
        return dict(value)
    text, _, how = str(value).strip().partition(" ")
    how = how.strip().lower()
    if how not in ("", "measured", "estimated"):
        text, how = str(value), ""
    try:
        found = measured(text)
    except ValueError:
        raise WrongInput(
            f"What {where} says is not a quantity.",
            "Write 812.50, <20, ~5 or 3-4, without the unit; after it, if it was said, measured or estimated.",
        ) from None
    plain = {name: held for name, held in vars(found).items() if held is not None}
    return {**plain, "how": how} if how else plain


def choice_from(field: Field, value: str, where: str) -> str:
    """One of the field's choices, by its word or by the beginning of it."""
    wanted = value.strip().lower().replace(" ", "-").replace("_", "-")
    by_name = {choice.lower().replace("_", "-"): choice for choice in field.choices}
    if wanted in by_name:
        return by_name[wanted]
    begin = [choice for name, choice in by_name.items() if wanted and name.startswith(wanted)]
    if len(begin) == 1:
        return begin[0]
    if begin:
        raise WrongInput(f"What {where} says fits several: {', '.join(begin)}.", "Write one of them in full.")
    raise WrongInput(f"What {where} says is not one of its values.", f"Write one of: {', '.join(field.choices)}.")


def _yes_no(value: Any, where: str) -> bool:
    if isinstance(value, bool):
        return value
    found = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}.get(
        str(value).strip().lower()
    )
    if found is None:
        raise WrongInput(f"What {where} says is neither yes nor no.", "Write yes or no.")
    return found


def _whole(value: Any, where: str) -> int:
    try:
        return int(str(value).strip())
    except ValueError:
        raise WrongInput(f"What {where} says is not a whole number.", "Write it in digits, without the unit.") from None


def _parts(field: Field, value: Any, around: Around, where: str) -> dict[str, Any]:
    typed = dict(value) if isinstance(value, Mapping) else _typed_parts(str(value), where)
    known = {part.name: part for part in field.parts}
    # `lesion.place` and `lesions.place` are both said; the class decides how it is stored.
    known |= {_singular(part.name, part.several): part for part in field.parts}
    named: dict[str, Any] = {}
    for name, said in typed.items():
        part = known.get(name.replace("-", "_"))
        if part is None:
            raise WrongInput(
                f"{where} has no part of that name ({_short(name)}).",
                f"Its parts are: {', '.join(one.name for one in field.parts)}.",
            )
        named[part.name] = said
    found = told(field.parts, named, around)
    for part in field.parts:
        if part.required and part.name not in found:
            made = around.mint(part, found) if part.shape is Shape.ID else None
            if made is None:
                raise WrongInput(f"{where} lacks its {part.label}.", f"Add {part.name}=…")
            found[part.name] = made
    return found


def _typed_parts(text: str, where: str) -> dict[str, Any]:
    text = text.strip()
    if text.startswith("{"):
        import orjson

        try:
            found = orjson.loads(text)
        except orjson.JSONDecodeError:
            raise WrongInput(f"What {where} says looks like JSON and is not.", 'Write {"part": value, …}.') from None
        assert isinstance(found, dict)
        return found
    typed: dict[str, Any] = {}
    for piece in _pieces(text):
        name, equals, said = piece.partition("=")
        if not equals or not name.strip():
            raise WrongInput(
                f"What {where} says is not in the form PART=VALUE,PART=VALUE.",
                "Write for example place=cephalic-arch,stenosis_percent=80; put words with commas in double quotes.",
            )
        _put(typed, name.strip().split("."), said.strip().strip('"'), where)
    return typed


def _pieces(text: str) -> list[str]:
    """The text at its commas, except those within double quotes."""
    return [piece for piece in re.findall(r'(?:[^,"]|"[^"]*"?)+', text) if piece.strip()]


def _put(typed: dict[str, Any], path: list[str], said: str, where: str) -> None:
    name = path[0]
    if len(path) == 1:
        if name in typed:
            typed[name] = [*typed[name], said] if isinstance(typed[name], list) else [typed[name], said]
        else:
            typed[name] = said
        return
    nth, rest = (int(path[1]), path[2:]) if path[1].isdigit() and len(path) > 2 else (1, path[1:])
    several = typed.setdefault(name, [])
    if not isinstance(several, list) or not 1 <= nth <= len(several) + 1:
        raise WrongInput(f"The numbers of {_short(name)} in {where} are not in order.", "Begin with 1, without gaps.")
    if nth > len(several):
        several.append({})
    _put(several[nth - 1], rest, said, where)


def _short(name: str) -> str:
    return name[:30] if re.fullmatch(r"[A-Za-z0-9_.-]+", name) else "…"


def typed_changes(kind: str, changes: Iterable[str]) -> tuple[dict[str, Any], set[str]]:
    """What `--set field=value` and `--set field=` mean: values by field name, and the fields to make unknown again."""
    known = {field.name: field for field in fields_of(kind)}
    known |= {field.option.removeprefix("--").replace("-", "_"): field for field in fields_of(kind)}
    values: dict[str, Any] = {}
    cleared: set[str] = set()
    for change in changes:
        name, equals, said = change.partition("=")
        field = known.get(name.strip().replace("-", "_"))
        if not equals or field is None:
            raise WrongInput(
                f"{kind} has no field of that name ({_short(name)})." if equals else "A change is written field=value.",
                f"Its fields are: {', '.join(one.name for one in fields_of(kind))}.",
            )
        if not said.strip():
            if field.required:
                raise WrongInput(f"{field.name} cannot be unknown.", "Retract the entry if it should not be there.")
            cleared.add(field.name)
        elif field.several:
            values.setdefault(field.name, []).append(said)
        else:
            values[field.name] = said
    return values, cleared
