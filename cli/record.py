"""Entries by hand: `record KIND`, `correct`, `retract`. Options and prompts come from the classes (`cli.kinds`).

Nothing here knows a kind by name except which ones open an access. What makes sense is for admission to say.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.kinds import BY_HAND, Around, Field, Shape, date_from, fields_of, sentence_about, told, typed_changes
from cli.lazy import WIDTH, LazyGroup
from cli.naming import access_named, access_names, entry_name, entry_named, named_in
from cli.options import ByOption, JsonOption, LedgerOption, PatientArgument, opened, signature_of, the_patient
from ledger.errors import Doubt, LedgerError, NotFound, WrongInput

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.entries import Draft, Entry, Signature
    from ledger.events import Event
    from ledger.store import Appended, Ledger

OPENERS = frozenset({"creation", "catheter-placed", "access-known", "access-planned"})
"""Kinds with which an access begins: when none is named, it gets a new id."""

LINKS = frozenset({"accesses-are-one", "access-split", "patients-are-one", "report-moved"})
"""Kinds about identities."""


class _Kinds(LazyGroup):
    """One command a kind, made when it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(BY_HAND)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in BY_HAND:
            return None
        made = typer.Typer(rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)
        settings = {"max_content_width": WIDTH, "help_option_names": ["-h", "--help"]}
        made.command(cmd_name, context_settings=settings)(_command_of(cmd_name))
        command = typer.main.get_command(made)
        command.name = cmd_name
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        with formatter.section("Kinds"):
            formatter.write_dl([(kind, sentence_about(kind)) for kind in BY_HAND])


record = typer.Typer(
    cls=_Kinds,
    help="Record what happened, by hand. Each kind has its own options: `access-ledger record KIND --help`.",
    epilog="On a terminal, what must be said and was not is asked for; with nothing but the patient, all of it.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    no_args_is_help=True,
    context_settings={"max_content_width": WIDTH, "help_option_names": ["-h", "--help"]},
)


@record.callback()
def _record() -> None:
    """Typer takes an application without a callback for a single command."""


def _command_of(kind: str) -> Callable[..., None]:
    """A command whose options are the fields of a kind."""
    known = fields_of(kind)

    def command(**values: Any) -> None:
        typed = {field.name: values[f"field_{field.name}"] for field in known}
        _record_one(kind, values["patient"], typed, values["by"], values["ledger"], values["anew"], values["as_json"])

    anew = Annotated[bool, typer.Option("--anew", help="Enter it again although it was entered and retracted before.")]
    parameters = [
        ("patient", PatientArgument, inspect.Parameter.empty),
        *((f"field_{field.name}", _annotation_of(field, kind), None) for field in known),
        ("anew", anew, False),
        ("by", ByOption, None),
        ("ledger", LedgerOption, None),
        ("as_json", JsonOption, False),
    ]
    command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in parameters
        ]
    )
    command.__annotations__ = {name: annotation for name, annotation, _ in parameters}
    from ledger.events import KINDS

    command.__doc__ = KINDS[kind].__doc__
    return command


def _annotation_of(field: Field, kind: str) -> Any:
    settings: dict[str, Any] = {"show_default": False, "help": _help_of(field, kind)}
    if field.shape is Shape.YES_NO:
        return Annotated[bool | None, typer.Option(f"{field.option}/--no-{field.option[2:]}", **settings)]
    settings["metavar"] = field.form or "|".join(field.choices)
    if len(settings["metavar"]) > 60:
        settings["metavar"] = "WORD"
    kind_of = list[str] | None if field.several else str | None
    # What a newcomer types for the day on which something happened.
    names = (field.option, "--date") if field.name == "happened" else (field.option,)
    return Annotated[kind_of, typer.Option(*names, **settings)]


def _help_of(field: Field, kind: str) -> str:
    label = field.label[:1].upper() + field.label[1:]
    said = [label + ("" if not field.required else ", must be said")]
    if field.shape is Shape.CHOICE and len("|".join(field.choices)) > 60:
        said.append(f"one of {', '.join(field.choices)}")
    if field.shape is Shape.PARTS:
        said.append(f"parts: {', '.join(part.name for part in field.parts)}")
    if field.name == "access" and kind in OPENERS:
        said = ["The access's id; without it, a new one is made"]
    if field.name == "happened":
        said = ["When it happened: 2019, 2019-03, 2019-03-04, 2019-03-04T10:30, today, yesterday"]
    if field.several:
        said.append("may be repeated")
    return "; ".join(said) + "."


# --- record -------------------------------------------------------------------------------------------------------


def _record_one(
    kind: str,
    patient: str,
    typed: dict[str, Any],
    by: str | None,
    where: str | None,
    anew: bool,
    as_json: bool,
) -> None:
    from ledger.events import PatientsAreOne, ReportMoved

    careful: list[Doubt] = []
    with opened(where) as ledger:
        signature = signature_of(ledger, by)
        one = the_patient(ledger, patient).id
        history = ledger.history(one, sessions=True)
        today = ledger.today(one)
        if say.is_terminal() and not as_json:
            _ask(kind, typed, history, today)
        with ledger.db.writing():
            event = event_from(kind, typed, ledger, history, today)
            if isinstance(event, PatientsAreOne):
                careful = ledger.who.one_person(one, event.other)
            draft = draft_by_hand(one, event)
            appended = ledger.append(history, [draft], by=signature, anew=anew)
        after = ledger.history(one, sessions=True)
        if kind in LINKS:
            # A link says nothing odd itself; what it brings together may not go together.
            careful += new_doubts(history, after)
        _tell(ledger, after, replace(appended, doubts=(*appended.doubts, *careful)), as_json)
        if isinstance(event, ReportMoved) and appended.entries and not as_json:
            say.next_steps(
                (f"access-ledger report confirm {event.report[:10]}", f"go through it for {event.to_patient}")
            )


def new_doubts(before: History, after: History) -> list[Doubt]:
    from ledger.admission import doubts_of

    there = {(doubt.code, doubt.about) for doubt in doubts_of(before)}
    return [doubt for doubt in doubts_of(after) if (doubt.code, doubt.about) not in there]


def event_from(
    kind: str,
    typed: Mapping[str, Any],
    ledger: Ledger,
    history: History,
    today: date,
    keep: Callable[[str], dict[str, Any]] | None = None,
) -> Event:
    """The event that was typed, checked at the border. Raises WrongInput.

    Typed words are kept within the caller's transaction, so that nothing of a refused entry stays; or given to `keep`.
    """
    known = fields_of(kind)
    around = around_by_hand(ledger, history, today, kind, typed, keep)
    values = told(known, typed, around)
    for field in known:
        if field.required and field.name not in values:
            made = around.mint(field, values) if field.shape is Shape.ID else None
            if made is None:
                raise WrongInput(
                    f"{kind} needs {field.option} ({field.label}).",
                    f"Add it; `access-ledger record {kind} --help` shows what can be said.",
                )
            values[field.name] = made
    return checked_event({"kind": kind, **values}, f"`access-ledger record {kind} --help` shows what can be said.")


def checked_event(values: Mapping[str, Any], remedy: str) -> Event:
    """The event of plain values. Raises WrongInput with what is wrong, without any words that were typed."""
    from ledger.entries import border_of

    kind = values["kind"]
    try:
        found: Event = border_of(kind).validate_python(dict(values))
    except ValueError as wrong:
        from ledger.store.load import say_validation

        errors = getattr(wrong, "errors", None)
        if errors is None:
            raise
        problem, _ = say_validation(errors(include_url=False, include_input=False, include_context=False))
        raise WrongInput(problem, remedy) from None
    return found


def around_by_hand(
    ledger: Ledger,
    history: History,
    today: date,
    kind: str,
    typed: Mapping[str, Any],
    keep: Callable[[str], dict[str, Any]] | None = None,
) -> Around:
    """What the words of whoever types become values by; ids are made of the patient, the kind and all that is said."""
    minted_for = [history.patient, kind, *sorted((name, str(value)) for name, value in typed.items() if value)]
    return around_of(ledger, history, today, minted_for, kind, typed, keep)


def around_of(
    ledger: Ledger,
    history: History,
    today: date,
    minted_for: Sequence[object],
    kind: str,
    typed: Mapping[str, Any],
    keep_words: Callable[[str], dict[str, Any]] | None = None,
) -> Around:
    """What typed words become values by, with ids made of `minted_for`."""
    from ledger.minting import ACCESS, DEVICE, LESION, VISIT, minted

    made: dict[str, int] = {}

    def mint(field: Field, values: Mapping[str, Any]) -> str | None:
        prefix = {"AccessId": ACCESS, "VisitId": VISIT, "LesionId": LESION, "DeviceId": DEVICE}.get(field.of)
        opens = kind in OPENERS or (kind == "access-split" and field.name == "part")
        if prefix is None or (prefix == ACCESS and not opens):
            return None
        if prefix == LESION and (same := _lesion_at(history, typed, values)) is not None:
            return same
        made[prefix] = made.get(prefix, 0) + 1
        return minted(prefix, ledger.uuid, *minted_for, made[prefix])

    def access(text: str) -> str:
        if kind in OPENERS or (kind == "access-split" and text == typed.get("part")):
            # An access that does not exist yet is named by an id alone; words would be a name that cannot be one.
            known = {one.casefold(): one for one, _ in access_names(history)}
            return known.get(text.strip().casefold(), text.strip())
        return access_named(history, text)

    def entry(text: str) -> str:
        theirs, found = entry_named(ledger, text)
        if theirs.patient != history.patient and theirs.patient not in {other for other, _ in history.merged}:
            raise WrongInput("That entry is another patient's.", f"Name an entry of {history.patient}.")
        return found.id

    def keep(words: str) -> dict[str, Any]:
        return vars(ledger.papers.typed(words, history.patient))

    def named(of: str, text: str) -> str:
        if of == "PatientId":
            return the_patient(ledger, text).id
        if of == "ReportId":
            return ledger.papers.report(text).id
        if of == "CentreId":
            return _centre_named(ledger, text)
        return text

    return Around(today=today, keep=keep_words or keep, entry=entry, access=access, mint=mint, named=named)


def _centre_named(ledger: Ledger, text: str) -> str:
    """The access centre of this id, or whose name holds these words. Raises NotFound."""
    centres = ledger.who.centres()
    wanted = text.casefold()
    for one in centres:
        if one.id.casefold() == wanted:
            return one.id
    fitting = [one for one in centres if wanted in one.name.casefold()]
    if len(fitting) == 1:
        return fitting[0].id
    raise NotFound(
        "Several access centres fit that name." if fitting else "There is no access centre of that id or name here.",
        "`access-ledger centre list` shows who there is; `access-ledger centre add` enters one.",
    )


def _lesion_at(history: History, typed: Mapping[str, Any], values: Mapping[str, Any]) -> str | None:
    """The lesion that was last told at the same place of the same access: no lesion gets two ids for being seen twice.

    Who means another lesion at that place gives it an id of its own.
    """
    named, place = typed.get("access"), values.get("place")
    if not named or not place:
        return None
    access = access_named(history, str(named))
    for one in reversed(history.of_access(access)):
        for lesion in getattr(one.fact, "lesions", ()):
            if lesion.place == place and lesion.side == values.get("side"):
                return str(lesion.lesion)
    return None


def draft_by_hand(patient: str, event: Event) -> Draft:
    """An entry by hand. Its source is made of what it says, so that entering it twice adds nothing."""
    from ledger.entries import Draft, event_to_dict

    said = say.json_text(event_to_dict(event), one_line=True)
    source = "hand:" + hashlib.sha256(f"{patient}|{said}".encode()).hexdigest()[:24]
    return Draft(event=event, source=source)


def _tell(ledger: Ledger, history: History, appended: Appended, as_json: bool) -> None:
    """What was recorded, in a sentence, with what is worked out of it and the doubts about it."""
    from ledger.projections.formulas import worked_of

    if as_json:
        say.as_json(
            {
                "patient": history.patient,
                "recorded": [
                    _entry_json(history.patient, entry)
                    | {
                        "worked": [
                            {
                                "name": worked.name,
                                "result": worked.printed,
                                "working": worked.working,
                                "note": worked.note,
                                "source": worked.source,
                            }
                            for worked in worked_of(history, getattr(entry.event, "root", entry.id))
                        ]
                    }
                    for entry in appended.entries
                ],
                "already": [_name_of(history, entry_id) for entry_id in appended.already],
                "doubts": [doubt_json(doubt, history) for doubt in appended.doubts],
            }
        )
        return
    for entry in appended.entries:
        say.paragraph(f"{entry_name(history.patient, entry)}  {told_in_words(ledger, entry)}", hanging="    ")
        for worked in worked_of(history, getattr(entry.event, "root", entry.id)):
            say.paragraph(f"{worked}", "  ", "    ")
            say.paragraph(f"({worked.source})", "    ", "    ")
    for entry_id in appended.already:
        say.out(f"{_name_of(history, entry_id)} says so already; nothing was added.")
    for doubt in appended.doubts:
        say.paragraph(f"Careful: {named_in(doubt.words, history)}", hanging="  ")
    if appended.doubts:
        say.out("  It was recorded and stays in view until somebody settles it.")


def told_in_words(ledger: Ledger, entry: Entry) -> str:
    """An entry as one line: when, and what it says."""
    from ledger.projections.sentences import entry_sentence
    from ledger.projections.wording import day_words

    return f"{day_words(entry.happened)}: {say.shown(entry_sentence(entry, ledger.papers.words))}"


def doubt_json(doubt: Any, history: History) -> dict[str, Any]:
    return {
        "code": doubt.code,
        "words": named_in(doubt.words, history),
        "about": [_name_of(history, entry_id) for entry_id in doubt.about],
        "access": doubt.access,
    }


def _name_of(history: History, entry_id: str) -> str:
    return named_in(entry_id, history)


def _entry_json(patient: str, entry: Entry) -> dict[str, Any]:
    from ledger.entries import event_to_dict

    return {
        "entry": entry_name(patient, entry),
        "id": entry.id,
        "event": event_to_dict(entry.event),
        "recorded_at": entry.recorded_at,
        "by": entry.recorded_by.person,
        "doubts": list(entry.doubts),
    }


# --- Prompts ------------------------------------------------------------------------------------------------------


def _ask(kind: str, typed: dict[str, Any], history: History, today: date) -> None:
    """Asks on a terminal for what must be said; when nothing was said beyond which access, for the rest as well."""
    from cli.chair import is_asked_shortly

    said = {name for name, value in typed.items() if value not in (None, [])}
    nothing_said = said <= {"access", "happened"} if is_asked_shortly(kind) else not said
    shortly = nothing_said and is_asked_shortly(kind)
    if nothing_said:
        ends = " A full stop ends it." if shortly else ""
        say.paragraph(f"{sentence_about(kind)} Enter leaves out what is not known.{ends}")
    for field in sorted(fields_of(kind), key=lambda one: (not one.required, one.name != "access")):
        if typed[field.name] not in (None, []) or (shortly and not field.required):
            continue
        mints = field.of in ("VisitId", "DeviceId") or (field.of == "AccessId" and kind in OPENERS)
        if not mints and (field.required or (nothing_said and _is_worth_asking(field))):
            typed[field.name] = _asked(field, history, today)
    if shortly:
        _ask_shortly(kind, typed, history, today)


def _ask_shortly(kind: str, typed: dict[str, Any], history: History, today: date) -> None:
    """Asks for the few things that matter at the chair, until they are said or a full stop ends it."""
    from cli.chair import asked_next
    from ledger.projections.rows import rows_of
    from ledger.vocabulary import AccessKind

    access = access_named(history, str(typed["access"]))
    stated = next((row.access_kind for row in rows_of(history) if row.access == access), None)
    access_kind = AccessKind(stated) if stated else None
    known = {field.name: field for field in fields_of(kind)}
    done: set[str] = set()
    while name := next((one for one in asked_next(kind, access_kind, typed) if one not in done), None):
        done.add(name)
        if typed[name] not in (None, []):
            continue
        try:
            typed[name] = _asked(known[name], history, today, may_end=True)
        except _EndedEarly:
            return


class _EndedEarly(Exception):
    """Whoever is asked has said enough."""


def _is_worth_asking(field: Field) -> bool:
    return field.shape not in (Shape.ID, Shape.ENTRY, Shape.PARTS) or field.of == "AccessId"


def _asked(field: Field, history: History, today: date, may_end: bool = False) -> Any:
    """One answer, asked for until it can be read. None where it may stay unknown and Enter was pressed.

    Raises _EndedEarly for a full stop, where that ends the asking.
    """
    label = "When" if field.name == "happened" else field.label[:1].upper() + field.label[1:]
    default = None
    choices: list[tuple[str, str]] = []
    if field.of == "AccessId":
        choices = accesses_to_choose(history)
        if not choices:
            raise WrongInput(
                f"{history.patient} has no access in the ledger.",
                "Enter it first, with `access-ledger record creation`, `catheter-placed` or `access-known`.",
            )
        default = _proposed(choices, history, today) if field.required else None
    elif field.shape is Shape.CHOICE:
        choices = [(choice, choice.replace("-", " ")) for choice in field.choices]
    elif field.name == "happened":
        default = today.isoformat()
    if choices:
        say.paragraph(
            label + ": " + "  ".join(f"{nth} {words}" for nth, (_, words) in enumerate(choices, 1)), hanging="  "
        )
        label = "  which" + (" (several with commas)" if field.several else "")
    elif field.shape is Shape.YES_NO:
        label += " (y/n)"
    elif field.shape is Shape.PARTS:
        say.paragraph(f"{label}: {', '.join(part.name for part in field.parts)}", hanging="  ")
        label = "  as part=value,part=value"
    while True:
        answer = typer.prompt(label, default=default or "", show_default=bool(default), prompt_suffix=": ").strip()
        if not answer and not field.required:
            return None
        if answer == "." and may_end:
            raise _EndedEarly
        if not answer:
            say.out("  This must be said.")
            continue
        pieces = answer.split(",") if field.several and field.shape is not Shape.PARTS else [answer]
        try:
            found = [_understood(field, piece.strip(), choices, history, today) for piece in pieces]
        except LedgerError as wrong:
            say.out(f"  {wrong.remedy}")
            continue
        return found if field.several else found[0]


def accesses_to_choose(history: History) -> list[tuple[str, str]]:
    """The accesses with their names; of what is over, since when. What is kept comes first."""
    from ledger.projections.rows import rows_of
    from ledger.projections.wording import day_words

    rows = sorted(rows_of(history), key=lambda row: row.closed is not None)
    return [(row.access, row.name + (f", over since {day_words(row.closed)}" if row.closed else "")) for row in rows]


def _proposed(choices: list[tuple[str, str]], history: History, today: date) -> str | None:
    """The number of the access that the record shows in use, or of the only one there is."""
    from ledger.projections.brief import access_to_use
    from ledger.projections.state import accesses_of

    used = access_to_use(accesses_of(history, today))
    names = [access for access, _ in choices]
    return str(names.index(used.access) + 1) if used is not None and used.access in names else None


def _understood(field: Field, answer: str, choices: list[tuple[str, str]], history: History, today: date) -> Any:
    if choices and answer.isdigit() and 1 <= int(answer) <= len(choices):
        return choices[int(answer) - 1][0]
    if field.of == "AccessId":
        return access_named(history, answer)
    if field.shape is Shape.DATE:
        return date_from(answer, today, field.option)
    if field.shape in (Shape.CHOICE, Shape.QUANTITY, Shape.YES_NO, Shape.WHOLE):
        nobody = Around(today=today, keep=_as_typed, entry=str, access=str, mint=lambda *_: None)
        return told([field], {field.name: answer}, nobody)[field.name]
    return answer


def _as_typed(words: str) -> dict[str, Any]:
    return {"words": words}


# --- correct, retract ---------------------------------------------------------------------------------------------

EntryArgument = Annotated[str, typer.Argument(metavar="ENTRY", help="The entry, such as P0007.12.")]


class NoLongerInForce(LedgerError):
    """The entry that was named does not hold any more."""

    exit_code = 4


def correct(
    entry: EntryArgument,
    change: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="FIELD=VALUE", help="What is true instead; FIELD= makes it unknown. May be repeated."
        ),
    ] = None,
    why: Annotated[str | None, typer.Option("--why", help="Why, in your words.", show_default=False)] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what is true instead of what an entry says. The entry stays in the audit; the history shows the new one."""
    from ledger.entries import fact_of
    from ledger.events import FACT_KINDS

    with opened(ledger) as found:
        signature = signature_of(found, by)
        history, named = entry_named(found, entry)
        must_hold(history, named)
        fact = fact_of(named.event)
        if fact.kind not in FACT_KINDS:
            raise WrongInput(
                f"{entry_name(history.patient, named)} is not about the world but about other entries ({fact.kind}).",
                "Retract it, and record it anew if need be.",
            )
        changes = list(change or ())
        if not changes:
            changes = _changes_asked(fact, found)
        values, cleared = typed_changes(fact.kind, changes)
        appended = corrected(found, history, named, values, cleared, why, signature)
        if appended is None:
            say.as_json({"patient": history.patient, "recorded": []}) if as_json else say.out(
                f"{entry_name(history.patient, named)} says so already; nothing was added."
            )
            return
        _tell(found, found.history(history.patient, sessions=True), appended, as_json)


def corrected(
    ledger: Ledger,
    history: History,
    named: Entry,
    values: Mapping[str, Any],
    cleared: Iterable[str],
    why: str | None,
    signature: Signature,
) -> Appended | None:
    """Says what is true instead of what an entry says: `values` as they were typed, `cleared` unknown after all.

    None where it says so already. Raises WrongInput, and StaleHistory when the history was not the newest.
    """
    from ledger.entries import event_to_dict, fact_of
    from ledger.events import Correction

    fact = fact_of(named.event)
    with ledger.db.writing():
        said = [
            history.patient,
            named.id,
            *sorted(f"{name}={value}" for name, value in values.items()),
            *sorted(cleared),
        ]
        around = around_of(ledger, history, ledger.today(history.patient), said, fact.kind, values)
        plain = {**event_to_dict(fact), **told(fields_of(fact.kind), values, around)}
        for name in cleared:
            plain.pop(name, None)
        to = checked_event(plain, f"`access-ledger record {fact.kind} --help` shows what can be said.")
        if to == fact:
            return None
        event = Correction(
            happened=to.happened,
            corrects=named.id,
            root=named.event.root if isinstance(named.event, Correction) else named.id,
            to=to,  # type: ignore[arg-type]
            why=ledger.papers.typed(why, history.patient) if why else None,
        )
        return ledger.append(history, [draft_by_hand(history.patient, event)], by=signature)


def _changes_asked(fact: Event, ledger: Ledger) -> list[str]:
    """Asks for changes on a terminal, with what is recorded in view."""
    if not say.is_terminal():
        raise WrongInput("Nothing to change was given.", "Add --set FIELD=VALUE.")
    from ledger.entries import event_to_dict

    say.fields(
        (name, value if isinstance(value, str | int) else say.json_text(value, one_line=True))
        for name, value in event_to_dict(fact).items()
    )
    say.out(f"It can say: {', '.join(field.name for field in fields_of(fact.kind))}.")
    changes = []
    while answer := typer.prompt("FIELD=VALUE (Enter to finish)", default="", show_default=False).strip():
        changes.append(answer)
    if not changes:
        raise WrongInput("Nothing was changed.", "Begin again when you know what is true instead.")
    return changes


def must_hold(history: History, named: Entry) -> None:
    """Raises NoLongerInForce, naming what holds instead: whoever named it was looking at an older state."""
    from ledger.chronology import entry_in_force_for, in_force
    from ledger.events import Correction

    if any(entry.id == named.id for entry in in_force(history.entries)):
        return
    name = entry_name(history.patient, named)
    root = named.event.root if isinstance(named.event, Correction) else named.id
    instead = entry_in_force_for(root, history.entries)
    if instead is None:
        raise NoLongerInForce(
            f"{name} was retracted.",
            f"Look at `access-ledger audit {history.patient}`; retract the retraction to bring it back.",
        )
    other = entry_name(history.patient, instead)
    raise NoLongerInForce(
        f"{name} does not hold any more; {other} stands in its place.", f"Look at {other} and name that."
    )


def retract(
    entry: EntryArgument,
    why: Annotated[str | None, typer.Option("--why", help="Why, in your words.", show_default=False)] = None,
    altogether: Annotated[
        bool, typer.Option("--altogether", help="Of a corrected entry, withdraw also what it said before.")
    ] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that an entry should never have been made. It stays in the audit, and no longer counts.

    Retracting a correction brings back what it corrected; retracting a retraction brings back what it withdrew.
    """
    with opened(ledger) as found:
        signature = signature_of(found, by)
        history, named = entry_named(found, entry)
        must_hold(history, named)
        if not why and say.is_terminal() and not as_json:
            why = typer.prompt("Why", default="", show_default=False).strip() or None
        if not why:
            raise WrongInput("A retraction needs a reason.", 'Add --why "…", in your words.')
        with found.db.writing():
            appended, history = withdrawn(found, history, named, why, signature, altogether)
        after = found.history(history.patient, sessions=True)
        if as_json:
            _tell(found, after, appended, as_json)
            return
        for made in appended.entries:
            say.out(f"{entry_name(history.patient, made)}  {entry_name(history.patient, named)} is withdrawn.")
        _tell_what_came_back(found, history, after)
        for doubt in appended.doubts:
            say.paragraph(f"Careful: {named_in(doubt.words, after)}", hanging="  ")


def withdrawn(
    ledger: Ledger, history: History, named: Entry, why: str, signature: Signature, altogether: bool
) -> tuple[Appended, History]:
    from ledger.dates import PartialDate
    from ledger.events import Correction, Retraction

    today = PartialDate(ledger.today(history.patient).isoformat())
    words = ledger.papers.typed(why, history.patient)
    entries: list[Entry] = []
    doubts: list[Any] = []
    while True:
        event = Retraction(happened=today, retracts=named.id, why=words)
        appended = ledger.append(history, [draft_by_hand(history.patient, event)], by=signature, anew=True)
        entries.extend(appended.entries)
        doubts = list(appended.doubts)
        previous = named.event.corrects if isinstance(named.event, Correction) else None
        before = history.entry(previous) if previous else None
        if not altogether or before is None:
            return replace(appended, entries=tuple(entries), doubts=tuple(doubts)), history
        named = before
        history = ledger.history(history.patient, sessions=named.session)


def _tell_what_came_back(ledger: Ledger, before: History, after: History) -> None:
    from ledger.chronology import in_force

    held = {entry.id for entry in in_force(before.entries)}
    for entry in in_force(after.entries):
        if entry.id in held or entry.kind == "retraction" or before.entry(entry.id) is None:
            continue
        if entry.kind in LINKS:
            say.paragraph(f"{entry_name(after.patient, entry)} holds again.", hanging="    ")
        else:
            say.paragraph(
                f"{entry_name(after.patient, entry)} holds again: {told_in_words(ledger, entry)}", hanging="    "
            )
