"""Which events end which patency, what censors, and where it is written: read from data, with the choices in use.

The package's `definitions.toml` holds what is published; a site adds its own by a text of the same form. In here
stands how that text is read and checked, and nothing about medicine. A mistake in a site's text is a `WrongInput`
that names the line of thought: which definition, which word, and what can stand there.

To add a kind of choice, name it in `definitions.toml` and give its options their meaning in `spells` or `rates`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources
from operator import attrgetter
from typing import Any

from ledger.errors import WrongInput
from ledger.events import KINDS
from ledger.vocabulary import AccessKind

STARTS = {
    "creation": "creation",
    "first-use": "first use for dialysis",
    "index-intervention": "each index intervention",
    "index-lesion": "each treated lesion of each index intervention",
    "placement": "placement of the catheter",
    "device": "each placement or exchange of a catheter",
}
"""From where a clock can run, in words. `spells` knows how to find each."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """Where a definition is published. `verified` says that it was read, on `read_on`; otherwise it is from memory."""

    text: str
    verified: bool
    read_on: str | None = None

    def __str__(self) -> str:
        return f"{self.text} ({f'read {self.read_on}' if self.verified else 'from memory'})"


@dataclass(frozen=True, kw_only=True)
class Option:
    """One way to read a choice: what it says, and the classes that it puts among the ends."""

    name: str
    says: str
    adds: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A place where the definitions leave a choice. The default is its first option, or a number of days."""

    name: str
    about: str
    options: tuple[Option, ...] = ()
    default: str

    @property
    def is_number(self) -> bool:
        return not self.options

    def option(self, value: str) -> Option:
        """The option of this name; for a choice of days, one that says the number."""
        if self.is_number:
            return Option(name=value, says=f"{value} days")
        for one in self.options:
            if one.name == value:
                return one
        raise WrongInput(
            problem=f"The choice {self.name} has no option {value!r}.",
            remedy=f"Use one of: {', '.join(one.name for one in self.options)}.",
        )

    def checked(self, value: str) -> str:
        if self.is_number:
            if not (value.isdigit() and len(value) <= 4):
                raise WrongInput(
                    problem=f"The choice {self.name} takes a number of days, not {value!r}.",
                    remedy="Write whole days, 0 or more.",
                )
            return str(int(value))
        return self.option(value).name


@dataclass(frozen=True, kw_only=True)
class ChoiceInUse:
    """A choice as a result prints it."""

    name: str
    about: str
    option: str
    says: str
    is_default: bool


@dataclass(frozen=True, kw_only=True)
class EventClass:
    """What a fact means to a definition. `computed` classes are worked out from the whole life."""

    name: str
    says: str
    intervention: bool = False
    index: bool = False
    computed: bool = False
    when: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Definition:
    """One measure: for which accesses, from when, ended by what, censored by what; and the choices it was given.

    `ends` already holds what the choices add. `rulebook` gives the meaning of the words.
    """

    id: str
    name: str
    kinds: tuple[AccessKind, ...]
    start: str
    ends: tuple[str, ...]
    censors: tuple[str, ...] = ()
    competes: tuple[str, ...] = ()
    gains: bool = False
    also_called: tuple[str, ...] = ()
    sources: tuple[Source, ...] = ()
    note: str | None = None
    of_site: bool = False
    choices: Mapping[str, str]
    rulebook: Rulebook = field(repr=False, compare=False)
    _plain_ends: tuple[str, ...] = field(default=(), repr=False)
    _ends_by_choice: tuple[str, ...] = field(default=(), repr=False)

    def chosen(self, choice: str) -> str | None:
        """The option in use for a choice; None where this definition does not make that choice."""
        return self.choices.get(choice)

    def with_choices(self, chosen: Mapping[str, str]) -> Definition:
        """The same definition with other options. Raises WrongInput for a choice or an option that it does not have."""
        if not chosen:
            return self
        found = dict(self.choices)
        for name, value in chosen.items():
            if name not in found:
                raise WrongInput(
                    problem=f"{self.name} makes no choice called {name!r}.",
                    remedy=f"Its choices are: {', '.join(found)}.",
                )
            found[name] = self.rulebook.choices[name].checked(value)
        return replace(self, choices=found, ends=self.rulebook.ends_with(self._plain_ends, self._ends_by_choice, found))

    @property
    def left_words(self) -> str:
        """What the curve tells the share of: `reached`, `still patent`, `still in` or `without infection`."""
        if self.gains:
            return "reached"
        if self.start not in ("placement", "device"):
            return "still patent"
        return "without infection" if "bloodstream-infection" in self.ends else "still in"

    @property
    def causes(self) -> tuple[str, ...]:
        """What competes with the event, beside the classes in `competes`: reasons for which care ended."""
        chosen = self.choices.get("competing")
        return () if chosen is None else self.rulebook.choices["competing"].option(chosen).causes

    @property
    def in_use(self) -> tuple[ChoiceInUse, ...]:
        """Every choice with the option in use, as each result prints it."""
        return self.rulebook.in_use(self.choices)

    @property
    def says(self) -> str:
        """The definition in one sentence."""
        words = self.rulebook.words
        verb = "reached by" if self.gains else "ended by"
        parts = [
            f"from {STARTS[self.start]}",
            f"{verb} the first of: {'; '.join(words(name) for name in self.ends)}",
        ]
        if self.censors:
            parts.append(f"censored by: {'; '.join(words(name) for name in self.censors)}")
        if self.competes:
            parts.append(f"competing with: {'; '.join(words(name) for name in self.competes)}")
        return ", ".join(parts) + "; censored by the end of care and the last day counted."


Matcher = Callable[[Any], bool]


@dataclass(frozen=True, kw_only=True)
class Rulebook:
    """All definitions, choices and classes in use: the package's, changed by a site's."""

    classes: Mapping[str, EventClass]
    choices: Mapping[str, Choice]
    definitions: Mapping[str, Definition]
    flow: Mapping[str, tuple[Mapping[str, Any], ...]]
    acts: Mapping[str, tuple[tuple[str, Matcher | None], ...]] = field(repr=False)
    """For each kind, the classes to try in order, each with its condition (None: always)."""
    restores: Mapping[str, tuple[Matcher | None, ...]] = field(repr=False)
    shows: Mapping[str, tuple[Matcher | None, ...]] = field(repr=False)
    excludes: Mapping[str, tuple[Matcher | None, ...]] = field(repr=False)

    def definition(self, definition_id: str, chosen: Mapping[str, str] | None = None) -> Definition:
        """The definition of this id, with these options instead of the defaults."""
        found = self.definitions.get(definition_id)
        if found is None:
            words = set(definition_id.lower().split("-"))
            near = [one for one in self.definitions if words & set(one.split("-"))]
            meant = f" Perhaps one of: {', '.join(near)}." if near else ""
            raise WrongInput(
                problem=f"There is no definition called {definition_id!r}.{meant}",
                remedy="`access-ledger patency definitions` lists them.",
            )
        return found.with_choices(chosen or {})

    def words(self, class_name: str) -> str:
        """A class or a reason in words."""
        found = self.classes.get(class_name)
        return found.says if found is not None else _REASONS.get(class_name, class_name.replace("-", " "))

    def is_intervention(self, class_name: str) -> bool:
        found = self.classes.get(class_name)
        return found is not None and found.intervention

    @property
    def index_classes(self) -> frozenset[str]:
        """The classes at which post-intervention patency starts, which are what rates count as interventions."""
        return frozenset(name for name, one in self.classes.items() if one.index)

    def in_use(self, chosen: Mapping[str, str]) -> tuple[ChoiceInUse, ...]:
        """These choices as a result prints them."""
        return tuple(
            ChoiceInUse(
                name=name,
                about=self.choices[name].about,
                option=value,
                says=self.choices[name].option(value).says,
                is_default=value == self.choices[name].default,
            )
            for name, value in chosen.items()
        )

    def chosen(self, names: Iterable[str], chosen: Mapping[str, str] | None = None) -> dict[str, str]:
        """The options in use for these choices. Raises WrongInput for one that is not among them."""
        found = {name: self.choices[name].default for name in names}
        for name, value in (chosen or {}).items():
            if name not in found:
                raise WrongInput(
                    problem=f"This count makes no choice called {name!r}.",
                    remedy=f"Its choices are: {', '.join(found)}.",
                )
            found[name] = self.choices[name].checked(value)
        return found

    def ends_with(
        self, plain: tuple[str, ...], by_choice: tuple[str, ...], chosen: Mapping[str, str]
    ) -> tuple[str, ...]:
        ends = list(plain)
        for name in by_choice:
            ends += [added for added in self.choices[name].option(chosen[name]).adds if added not in ends]
        return tuple(ends)


_REASONS = {
    "death": "death",
    "transplant": "transplant",
    "transfer": "transfer to another unit",
    "recovery": "recovery of kidney function",
    "lost-to-follow-up": "lost to follow-up",
    "stopped-dialysis": "dialysis stopped",
    "to-peritoneal": "change to peritoneal dialysis",
    "cut": "still running on the last day counted",
    "converted": "another access begun out of this one",
    "unreversed-clot": "a clot that was never reversed",
    "untreated-clot": "a clot that was never treated",
    "failed-index": "the index intervention failed",
}


def rulebook(site: str | None = None) -> Rulebook:
    """The definitions of the package, changed and added to by the text of a site's own file.

    >>> book = rulebook()
    >>> book.definition("secondary-patency").ends
    ('loss',)
    >>> book.definition("primary-patency", {"steal-surgery": "ends-primary"}).ends[-1]
    'steal-surgery'
    """
    return _rulebook(site)


@lru_cache(maxsize=8)
def _rulebook(site: str | None) -> Rulebook:
    held = tomllib.loads(resources.files("ledger.statistics").joinpath("definitions.toml").read_text("utf-8"))
    own: dict[str, Any] = {}
    if site is not None:
        try:
            own = tomllib.loads(site)
        except tomllib.TOMLDecodeError as wrong:
            raise WrongInput(
                problem=f"The site's definitions are not TOML: {wrong}.",
                remedy="Correct that line; the form is that of the package's definitions.toml.",
            ) from None
        _only(own, {"format", "sources", "class", "flow", "choices", "definition"}, "The site's definitions")
        if own.get("format", 1) != 1:
            raise WrongInput(
                problem=f"The site's definitions are of format {own['format']}, and this is format 1.",
                remedy="Write format = 1, or install the version that they were written for.",
            )
    return _built(held, own)


def _built(held: dict[str, Any], own: dict[str, Any]) -> Rulebook:
    sources = {name: _source(name, said) for name, said in {**held["sources"], **own.get("sources", {})}.items()}
    # A class of the site is tried before those of the package, since the first that fits decides.
    classes = {one["name"]: _class(one) for one in own.get("class", ())}
    classes.update((one["name"], _class(one)) for one in held["class"] if one["name"] not in classes)
    choices = {one["name"]: _choice(one) for one in held["choice"]}
    for name, value in own.get("choices", {}).items():
        if name not in choices:
            raise WrongInput(
                problem=f"The site's definitions set a choice {name!r} that does not exist.",
                remedy=f"The choices are: {', '.join(choices)}.",
            )
        choices[name] = replace(choices[name], default=choices[name].checked(str(value)))
    flow = {**held["flow"], **own.get("flow", {})}
    for name, conditions in flow.items():
        if name not in held["flow"]:
            raise WrongInput(problem=f"[flow] has no {name!r}.", remedy=f"It has: {', '.join(held['flow'])}.")
        for condition in conditions:
            _check_condition(condition, f"[flow] {name}")
    book = Rulebook(
        classes=classes,
        choices=choices,
        definitions={},
        flow=flow,
        acts=_acts(classes.values()),
        restores=_by_kind(flow["restores"]),
        shows=_by_kind(flow["shows"]),
        excludes=_by_kind(flow["excludes"]),
    )
    found: dict[str, Definition] = {}
    for of_site, said in [
        *((False, one) for one in held["definition"]),
        *((True, one) for one in own.get("definition", ())),
    ]:
        made = _definition(said, book, sources, of_site)
        found[made.id] = made
    # The rulebook and its definitions know each other; the one mutable moment is here, before anybody sees it.
    object.__setattr__(book, "definitions", found)
    return book


def _source(name: str, said: Any) -> Source:
    if (
        not isinstance(said, dict)
        or not isinstance(said.get("text"), str)
        or not isinstance(said.get("verified"), bool)
    ):
        raise WrongInput(
            problem=f"The source {name!r} is incomplete.",
            remedy='Give it text = "…" and verified = true (then also read_on) or false.',
        )
    read_on = said.get("read_on")
    return Source(text=said["text"], verified=said["verified"], read_on=None if read_on is None else str(read_on))


def _class(said: dict[str, Any]) -> EventClass:
    what = f"The class {said.get('name')!r}"
    _only(said, {"name", "says", "intervention", "index", "computed", "when"}, what)
    _need(said, {"name", "says"}, what)
    for condition in said.get("when", ()):
        _check_condition(condition, what)
    return EventClass(
        name=said["name"],
        says=said["says"],
        intervention=said.get("intervention", False),
        index=said.get("index", False),
        computed=said.get("computed", False),
        when=tuple(said.get("when", ())),
    )


def _choice(said: dict[str, Any]) -> Choice:
    options = tuple(
        Option(
            name=one["name"],
            says=one["says"],
            adds=tuple(one.get("adds", ())),
            causes=tuple(one.get("causes", ())),
        )
        for one in said.get("options", ())
    )
    default = options[0].name if options else str(said["default"])
    return Choice(name=said["name"], about=said["about"], options=options, default=default)


def _definition(said: dict[str, Any], book: Rulebook, sources: Mapping[str, Source], of_site: bool) -> Definition:
    what = f"The definition {said.get('id')!r}"
    known = {
        "id",
        "name",
        "also_called",
        "for",
        "start",
        "counts",
        "ends",
        "ends_by_choice",
        "censors",
        "competes",
        "choices",
        "sources",
        "note",
    }
    _only(said, known, what)
    _need(said, {"id", "name", "for", "start", "ends", "sources"}, what)
    if said["start"] not in STARTS:
        raise WrongInput(problem=f"{what} starts at {said['start']!r}.", remedy=f"Use one of: {', '.join(STARTS)}.")
    if said.get("counts", "losses") not in ("losses", "gains"):
        raise WrongInput(problem=f"{what} counts {said['counts']!r}.", remedy="Use losses or gains.")
    for part in ("ends", "censors", "competes"):
        for name in said.get(part, ()):
            if name not in book.classes:
                raise WrongInput(
                    problem=f"{what} names {name!r} in {part}, which is no class.",
                    remedy=f"The classes are: {', '.join(book.classes)}.",
                )
    for part in ("choices", "ends_by_choice"):
        for name in said.get(part, ()):
            if name not in book.choices:
                raise WrongInput(
                    problem=f"{what} names {name!r} in {part}, which is no choice.",
                    remedy=f"The choices are: {', '.join(book.choices)}.",
                )
    for name in said["sources"]:
        if name not in sources:
            raise WrongInput(
                problem=f"{what} names the source {name!r}, which is not there.",
                remedy="Add it under [sources] with its text and whether it was read.",
            )
    kinds = tuple(kind for kind in AccessKind if kind.value in said["for"])
    if len(kinds) != len(said["for"]):
        raise WrongInput(
            problem=f"{what} is for a kind of access that does not exist.",
            remedy=f"The kinds are: {', '.join(AccessKind)}.",
        )
    names = list(dict.fromkeys([*said.get("choices", ()), *said.get("ends_by_choice", ())]))
    chosen = {name: book.choices[name].default for name in names}
    plain = tuple(said["ends"])
    by_choice = tuple(said.get("ends_by_choice", ()))
    return Definition(
        id=said["id"],
        name=said["name"],
        kinds=kinds,
        start=said["start"],
        ends=book.ends_with(plain, by_choice, chosen),
        censors=tuple(said.get("censors", ())),
        competes=tuple(said.get("competes", ())),
        gains=said.get("counts", "losses") == "gains",
        also_called=tuple(said.get("also_called", ())),
        sources=tuple(sources[name] for name in said["sources"]),
        note=said.get("note"),
        of_site=of_site,
        choices=chosen,
        rulebook=book,
        _plain_ends=plain,
        _ends_by_choice=by_choice,
    )


def _only(said: Mapping[str, Any], known: set[str], what: str) -> None:
    if strange := sorted(set(said) - known):
        raise WrongInput(
            problem=f"{what}: {strange[0]!r} means nothing here.", remedy=f"It can hold: {', '.join(sorted(known))}."
        )


def _need(said: Mapping[str, Any], needed: set[str], what: str) -> None:
    if missing := sorted(needed - set(said)):
        raise WrongInput(problem=f"{what} lacks {missing[0]!r}.", remedy="Add it.")


# --- Conditions ---------------------------------------------------------------------------------------------------


def _check_condition(condition: Mapping[str, Any], what: str) -> None:
    kind = condition.get("kind")
    if kind not in KINDS:
        raise WrongInput(problem=f"{what} names the kind {kind!r}.", remedy=f"The kinds are: {', '.join(KINDS)}.")
    for name, values in condition.items():
        if name == "kind":
            continue
        if name.split(".")[0] not in KINDS[kind].__dataclass_fields__:
            raise WrongInput(
                problem=f"{what}: {kind} has no field {name!r}.",
                remedy=f"It has: {', '.join(KINDS[kind].__dataclass_fields__)}.",
            )
        if not isinstance(values, list):
            raise WrongInput(problem=f"{what}: {name} must be a list.", remedy=f'Write {name} = ["…"].')


def _acts(classes: Iterable[EventClass]) -> dict[str, tuple[tuple[str, Matcher | None], ...]]:
    found: dict[str, list[tuple[str, Matcher | None]]] = {}
    for one in classes:
        for condition in one.when:
            found.setdefault(condition["kind"], []).append((one.name, matcher(condition)))
    return {kind: tuple(tried) for kind, tried in found.items()}


def _by_kind(conditions: Iterable[Mapping[str, Any]]) -> dict[str, tuple[Matcher | None, ...]]:
    found: dict[str, list[Matcher | None]] = {}
    for condition in conditions:
        found.setdefault(condition["kind"], []).append(matcher(condition))
    return {kind: tuple(tried) for kind, tried in found.items()}


def matcher(condition: Mapping[str, Any]) -> Matcher | None:
    """A condition as a function of a fact; None where the kind alone decides."""
    tests = [_test(name, tuple(values)) for name, values in condition.items() if name != "kind"]
    if not tests:
        return None
    if len(tests) == 1:
        return tests[0]
    return lambda fact: all(test(fact) for test in tests)


def _test(name: str, values: tuple[Any, ...]) -> Matcher:
    wanted = frozenset(values)
    first, _, rest = name.partition(".")
    get = attrgetter(first)
    inner = attrgetter(rest) if rest else None

    def test(fact: Any) -> bool:
        held = get(fact)
        if held is None or held == ():
            return "unrecorded" in wanted
        if "recorded" in wanted:
            return True
        if isinstance(held, tuple):
            return any((inner(one) if inner is not None else one) in wanted for one in held)
        return (inner(held) if inner is not None else held) in wanted

    return test
