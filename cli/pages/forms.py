"""Forms made from the classes of `ledger.events`, as the command line's options are: a new kind needs nothing here.

`shown(...)` gives the fields of a kind as a form shows them, filled with what was typed or with what an entry says;
`typed_from(...)` reads them back in the words that `cli.kinds.told` understands; `problems_in(...)` says for each
field what is wrong with it, beside the field. Field names in a form are paths: `f.flow_ml_min`, `f.lesions.0.place`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData

from cli.kinds import Around, Field, Shape, told
from ledger.errors import LedgerError

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.store import Ledger

FEW = 6
"""So many choices are shown as buttons side by side; more of them as a list to pick from."""

MINTED = frozenset({"VisitId", "DeviceId", "LesionId"})
"""Ids that nobody types: they are made, or kept as they are."""


@dataclass(frozen=True)
class Shown:
    """One field as a form shows it.

    `widget` is date, number, choice, choices, pick, words, text, parts or hidden. `value` is what stands in it, a list
    for `choices`; `choices` are value and words. `parts` are the fields of each item of `parts`, the last ones blank.
    """

    field: Field
    name: str
    label: str
    unit: str
    widget: str
    value: Any = ""
    choices: tuple[tuple[str, str], ...] = ()
    parts: tuple[tuple[Shown, ...], ...] = ()
    problem: str = ""
    remedy: str = ""
    question: str = ""
    none: str = "not recorded"
    """What it says where nothing is chosen; empty where something has to be."""

    @property
    def required(self) -> bool:
        """Whether it has to be said."""
        return not self.none

    @property
    def id(self) -> str:
        """What the label points at."""
        return self.name.replace(".", "-").replace("_", "-")

    @property
    def filled(self) -> bool:
        """Whether anything stands in it."""
        if self.widget == "parts":
            return any(part.filled for item in self.parts for part in item if part.widget != "hidden")
        return bool(self.value)

    def with_words(self, problem: str = "", remedy: str = "", question: str = "") -> Shown:
        """The same, with what is wrong with it or odd about it."""
        return replace(self, problem=problem, remedy=remedy, question=question)


@dataclass(frozen=True)
class Known:
    """What a form has to know of the ledger: names to choose from by the sort of id."""

    ids: Mapping[str, Sequence[tuple[str, str]]] = field(default_factory=dict)


def known_for(ledger: Ledger, history: History) -> Known:
    """The accesses of a patient, and people, units and centres, by their names."""
    from cli.record import accesses_to_choose

    who = ledger.who
    return Known(
        {
            "AccessId": accesses_to_choose(history),
            "PersonId": [(one.id, one.name) for one in who.people()],
            "UnitId": [(one.id, one.name) for one in who.units()],
            "CentreId": [(one.id, one.name) for one in who.centres()],
        }
    )


# --- To show ------------------------------------------------------------------------------------------------------


def shown(
    fields: Iterable[Field], typed: Mapping[str, Any], known: Known, prefix: str = "f", *, blank: int = 1
) -> tuple[Shown, ...]:
    """The fields of a kind with what was typed. Of parts, `blank` further ones are there to be filled."""
    return tuple(_shown(one, typed.get(one.name), known, f"{prefix}.{one.name}", blank) for one in fields)


def _shown(one: Field, typed: Any, known: Known, name: str, blank: int) -> Shown:
    label, unit = label_of(one)
    none = "" if one.required else "not recorded"
    made = Shown(one, name, label, unit, _widget(one, known), typed if typed is not None else "", none=none)
    if one.shape is Shape.PARTS:
        items = [typed] if isinstance(typed, Mapping) else list(typed or ())
        more = blank if one.several else max(0, 1 - len(items))
        parts = tuple(
            shown(one.parts, item if isinstance(item, Mapping) else {}, known, f"{name}.{nth}", blank=min(blank, 1))
            for nth, item in enumerate([*items, *[{}] * more])
        )
        return replace(made, parts=parts, value="")
    if made.widget == "choices":
        values = [typed] if isinstance(typed, str) else list(typed or ())
        return replace(made, value=values, choices=_choices(one, known))
    if one.several and isinstance(typed, list | tuple):
        made = replace(made, value=", ".join(str(item) for item in typed))
    if made.widget not in ("choice", "pick"):
        return made
    choices = _choices(one, known)
    if made.value and made.value not in dict(choices):
        choices = (*choices, (str(made.value), str(made.value)))  # Nothing that is recorded drops out of a list.
    return replace(made, choices=choices)


def _widget(one: Field, known: Known) -> str:
    if one.of in MINTED:
        return "hidden"
    if one.shape is Shape.PARTS:
        return "parts"
    choices = _choices(one, known)
    if one.several and choices:
        return "choices"
    if choices:
        return "choice" if len(choices) <= FEW and one.of in ("", "AccessId") else "pick"
    return {
        Shape.DATE: "date",
        Shape.QUANTITY: "number",
        Shape.WHOLE: "number",
        Shape.WORDS: "words",
    }.get(one.shape, "text")


def _choices(one: Field, known: Known) -> tuple[tuple[str, str], ...]:
    if one.shape is Shape.CHOICE:
        return tuple((choice, choice.replace("-", " ")) for choice in one.choices)
    if one.shape is Shape.YES_NO:
        return (("yes", "yes"), ("no", "no"))
    if one.shape is Shape.ID and one.name != "shift":  # A shift has the form of a unit's id, and no list of its own.
        return tuple(known.ids.get(one.of, ()))
    return ()


@cache
def label_of(one: Field) -> tuple[str, str]:
    """The name of a field in words, and its unit."""
    label = "when" if one.name == "happened" else one.label
    name, _, unit = label.partition(" (")
    return name[:1].upper() + name[1:], unit.rstrip(")")


def texts_of(
    fields: Iterable[Field], plain: Mapping[str, Any], words: Callable[[Any], str | None], names: Mapping[str, str]
) -> dict[str, Any]:
    """What an event says (its plain values) as a person would have typed it. `names` are those of entries by id."""
    found = {}
    for one in fields:
        value = plain.get(one.name)
        if value is None or value == [] or value == ():
            continue
        if one.several:
            found[one.name] = [_text(one, item, words, names) for item in value]
        else:
            found[one.name] = _text(one, value, words, names)
    return found


def _text(one: Field, value: Any, words: Callable[[Any], str | None], names: Mapping[str, str]) -> Any:
    match one.shape:
        case Shape.QUANTITY:
            said = (
                f"{value.get('comparator') or ''}{value['value']}"
                if value.get("value") is not None
                else f"{value['low']}-{value['high']}"
            )
            return f"{said} {value['how']}" if value.get("how") else said
        case Shape.YES_NO:
            return "yes" if value else "no"
        case Shape.WORDS:
            from ledger.events import Words

            return words(Words(**value)) or ""
        case Shape.ENTRY:
            return names.get(str(value), str(value))
        case Shape.PARTS:
            return texts_of(one.parts, value, words, names)
        case _:
            return str(value)


# --- To read ------------------------------------------------------------------------------------------------------


def typed_from(form: FormData, fields: Iterable[Field], prefix: str = "f") -> dict[str, Any]:
    """What stands in a form, by field name; what is blank is not there."""
    found: dict[str, Any] = {}
    for one in fields:
        name = f"{prefix}.{one.name}"
        value: Any
        if one.shape is Shape.PARTS:
            value = _items(form, one, name)
            value = value if one.several else next(iter(value), None)
        else:
            values = [text.strip() for text in form.getlist(name) if isinstance(text, str) and text.strip()]
            if one.several and one.shape not in (Shape.CHOICE, Shape.ID):
                values = [piece.strip() for text in values for piece in text.split(",") if piece.strip()]
            value = values if one.several else next(iter(values), None)
        if value:
            found[one.name] = value
    return found


def _items(form: FormData, one: Field, name: str) -> list[dict[str, Any]]:
    start = name + "."
    numbers = {key[len(start) :].split(".", 1)[0] for key in form if key.startswith(start)}
    found = []
    for number in sorted(int(each) for each in numbers if each.isdigit()):
        item = typed_from(form, one.parts, f"{name}.{number}")
        # An id that nobody types does not make an item of what is blank otherwise.
        if any(part.name in item for part in one.parts if part.of not in MINTED):
            found.append(item)
    return found


def with_known_words(
    typed: Mapping[str, Any],
    plain: Mapping[str, Any],
    fields: Iterable[Field],
    words: Callable[[Any], str | None],
) -> dict[str, Any]:
    """Typed values, in which words that nobody changed stay the words of the report or note that they came from."""
    from ledger.events import Words

    found = dict(typed)
    for one in fields:
        said, there = typed.get(one.name), plain.get(one.name)
        if there is None:
            continue
        if one.shape is Shape.WORDS and isinstance(there, Mapping):
            held = words(Words(**there))
            # What was erased by law cannot be read here, and leaving it blank does not say that it was never there.
            if (held is None and said is None) or (held is not None and said == held.strip()):
                found[one.name] = dict(there)
        elif one.shape is Shape.PARTS and one.several and said:
            found[one.name] = [
                with_known_words(item, there[nth] if nth < len(there) else {}, one.parts, words)
                for nth, item in enumerate(said)
            ]
    return found


def differs(one: Field, said: Any, was: Any) -> bool:
    """Whether somebody changed a field. Boxes that are ticked come in the order of the form, which says nothing."""
    if one.several and one.shape in (Shape.CHOICE, Shape.ID):
        return sorted(said or ()) != sorted(was or ())
    return bool(said != was)


def problems_in(fields: Iterable[Field], typed: Mapping[str, Any], around: Around) -> dict[str, tuple[str, str]]:
    """For each field that cannot be understood, what is wrong and what to do: by field name."""
    found: dict[str, tuple[str, str]] = {}
    for one in fields:
        if one.name not in typed:
            continue
        try:
            told([one], {one.name: typed[one.name]}, around)
        except LedgerError as wrong:
            found[one.name] = (in_words_of_form(wrong.problem, [one]), in_words_of_form(wrong.remedy, [one]))
    return found


def in_words_of_form(text: str, fields: Iterable[Field]) -> str:
    """A message of the command line, with the options named as the form names its fields."""
    for one in fields:
        text = in_words_of_form(text, one.parts)
        text = text.replace(f"What {one.option} says", "This" if not one.parts else f"“{label_of(one)[0]}”")
        text = text.replace(one.option + " ", f"“{label_of(one)[0]}” ")
    return text


def checking(around: Around) -> Around:
    """The same, keeping no words and making no ids: for looking at what is typed before it is sent."""

    def keep(_: str) -> dict[str, Any]:
        return {"text": "t-not-kept", "start": 0, "end": 1}

    return replace(around, keep=keep)
