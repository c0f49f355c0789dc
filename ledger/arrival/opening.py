"""One file of a known form → its reports. Runs inside the process that can be killed, except for plain text.

To add a form, write a module with a function that gives `Document`s, and name it in
`opened`. A document that cannot be read is a `CannotRead` in its place, so that the
others of its file keep their numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from ledger.arrival import plain
from ledger.arrival.headers import clues_in, disagreements, envelope_in, same_person_only
from ledger.arrival.values import (
    Arrived,
    ArrivedReport,
    CannotRead,
    Envelope,
    Form,
    Hint,
    Limits,
    PatientClues,
    Unreadable,
    Why,
)
from ledger.errors import Doubt

if TYPE_CHECKING:
    from ledger.arrival.sandbox import Order


@dataclass(frozen=True, kw_only=True)
class Document:
    """One document of a file, before its header lines were looked at.

    `text` is normalised here. `envelope` are fields of `Envelope` that the carrier told; `clues` what it told of the
    patient. `several`: whether the text may plainly hold several reports, as a stack of scanned pages does.
    `left_out`: what of it could not be read, though the rest was.
    """

    text: str
    media_type: str
    envelope: dict[str, Any] = field(default_factory=dict)
    clues: PatientClues | None = None
    hints: tuple[Hint, ...] = ()
    several: bool = False
    left_out: tuple[CannotRead, ...] = ()
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Refused:
    """A document of a file that could not be read, with what could be told of it all the same."""

    why: CannotRead
    envelope: dict[str, Any] = field(default_factory=dict)
    clues: PatientClues | None = None


def opened(original: bytes, order: Order) -> Arrived:
    """The reports of a file. Raises CannotRead when nothing of it can be read."""
    if order.form in (Form.CSV, Form.XLSX):
        from ledger.arrival.sheets import opened_sheet

        return opened_sheet(original, order)
    return arrived(order.form, _documents(original, order), order.limits.parts, order.limits.text_length)


def _documents(original: bytes, order: Order) -> Iterable[Document | Refused]:
    match order.form:
        case Form.PLAIN | Form.UNKNOWN:
            return [plain_document(original, order)]
        case Form.PDF:
            from ledger.arrival.pdf import pdf_document

            return [pdf_document(original, order.limits)]
        case Form.IMAGE:
            from ledger.arrival.ocr import image_document

            return [image_document(original, order.media_type, order.limits)]
        case Form.WORD:
            from ledger.arrival.word import word_document

            return [word_document(original, order.limits)]
        case Form.RTF:
            from ledger.arrival.markup import rtf_document

            return [rtf_document(original)]
        case Form.HTML:
            from ledger.arrival.markup import html_document

            return [html_document(original, order.declared, order.limits)]
        case Form.HL7:
            from ledger.arrival.hl7v2 import hl7_documents

            return hl7_documents(original, order.limits)
        case Form.FHIR:
            from ledger.arrival.fhir import fhir_documents

            return fhir_documents(original, order.limits)
        case Form.CDA:
            from ledger.arrival.cda import cda_documents

            return cda_documents(original, order.limits)
        case Form.CSV | Form.XLSX:
            raise AssertionError("sheets are opened by `opened`")


def plain_document(original: bytes, order: Order) -> Document:
    """A file of plain text: one document, which may plainly hold several reports."""
    decoded = plain.decoded(original, charset_of(order.declared), order.limits)
    return Document(
        text=decoded.text,
        media_type=order.media_type,
        envelope={"encoding": decoded.encoding},
        several=True,
        doubts=encoding_doubts(decoded),
    )


def embedded(original: bytes, declared: str | None, limits: Limits) -> Document:
    """What a message or a document carries within it: text, HTML, rich text, PDF, Word, a picture or C-CDA.

    One document. What the bytes are decides, not what they are called. Raises CannotRead.
    """
    from ledger.arrival.forms import form_of
    from ledger.arrival.sandbox import Order

    form, media_type = form_of(original, None, declared)
    if form not in _EMBEDDED:
        raise CannotRead(
            Why.NOT_SUPPORTED,
            f"The document that it carries is of the form {form.value}.",
            "Ask the sender for text or PDF within it, or save the carried document and import that.",
        )
    if form is Form.CDA:
        from ledger.arrival.cda import cda_documents

        found = next(iter(cda_documents(original, limits, within=True)))
    else:
        order = Order(form=form, media_type=media_type, file_name=None, declared=declared, columns=None, limits=limits)
        found = next(iter(_documents(original, order)))
    if isinstance(found, Refused):
        raise found.why
    return replace(found, several=False)


_EMBEDDED = frozenset({Form.PLAIN, Form.HTML, Form.RTF, Form.PDF, Form.WORD, Form.IMAGE, Form.CDA})


def encoding_doubts(decoded: plain.Decoded) -> tuple[Doubt, ...]:
    """A doubt where the encoding of a text had to be guessed."""
    if not decoded.guessed:
        return ()
    words = f"The text does not say its encoding; it was read as {decoded.encoding}."
    return (Doubt(code="encoding-guessed", words=words),)


def charset_of(media_type: str | None) -> str | None:
    """The charset parameter of a media type."""
    for parameter in (media_type or "").split(";")[1:]:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "charset":
            return value.strip() or None
    return None


def arrived(form: Form, documents: Iterable[Document | Refused], most_parts: int, most_text: int) -> Arrived:
    """Documents numbered, their header lines read, those without words set apart."""
    parts: list[ArrivedReport] = []
    unreadable: list[Unreadable] = []
    number = 0
    for document in documents:
        if number >= most_parts:
            why = CannotRead(
                Why.TOO_LARGE,
                f"The file holds more than {most_parts} reports; the rest was not read.",
                "Split the file, and import the pieces.",
            )
            unreadable.append(why.as_unreadable())
            break
        if isinstance(document, Refused):
            number += 1
            envelope = Envelope(form=form, **document.envelope)
            unreadable.append(document.why.as_unreadable(number, envelope, document.clues))
            continue
        for report in _reports_of(form, document, most_text):
            number += 1
            if isinstance(report, CannotRead):
                envelope = Envelope(form=form, **document.envelope)
                unreadable.append(report.as_unreadable(number, envelope, document.clues))
            else:
                parts.append(replace(report, part=number))
        unreadable.extend(why.as_unreadable(number) for why in document.left_out)
    if not parts and not unreadable:
        raise CannotRead(
            Why.EMPTY, "The file holds no report.", "Check that it is the right file; nothing was taken from it."
        )
    return Arrived(form=form, parts=tuple(parts), unreadable=tuple(unreadable))


def _reports_of(form: Form, document: Document, most_text: int) -> Iterator[ArrivedReport | CannotRead]:
    text = plain.normalised(document.text)
    if not any(sign.isalnum() for sign in text):
        if not document.left_out:
            yield CannotRead(
                Why.NO_TEXT,
                "The document is well formed, but there are no words in it.",
                "If it shows words when you open it, they are a picture: print it to PDF or scan it, and import that.",
            )
        return
    if len(text) > most_text:
        yield CannotRead(
            Why.TOO_LARGE,
            f"The text has {len(text)} characters; the limit is {most_text}.",
            "Split the document by report, and import the pieces.",
        )
        return
    stretches = plain.reports_in(text, clues_in) if document.several else [(0, len(text))]
    told = dict(document.envelope)
    doubts = [*told.pop("doubts", ()), *document.doubts]
    doubts += [Doubt(code="not-all-read", words=why.problem) for why in document.left_out]
    for start, end in stretches:
        words = text[start:end]
        yield ArrivedReport(
            part=1,
            text=words,
            media_type=document.media_type,
            envelope=envelope_in(words, form, **told, doubts=doubts),
            clues=together(document.clues, clues_in(words)),
            hints=document.hints,
        )


def together(told: PatientClues | None, read: PatientClues) -> PatientClues:
    """What the carrier told of the patient and what the header lines of the text say; both kept where they differ."""
    if told is None:
        return read
    identifiers = tuple(
        {(one.value, one.system, one.label): one for one in (*told.identifiers, *read.identifiers)}.values()
    )
    names = same_person_only((*told.names, *read.names))
    births = tuple({one.readings: one for one in (*told.birth_dates, *read.birth_dates)}.values())
    if len(births) > 1 and told.birth_dates:
        # The carrier's date is exact; a header date that allows it adds nothing.
        exact = set(told.birth_dates[0].readings)
        births = tuple(one for one in births if one in told.birth_dates or not exact & set(one.readings))
    doubts = [*told.doubts, *read.doubts, *disagreements(names, births, identifiers)]
    sexes = {one for one in (told.sex, read.sex) if one is not None}
    return PatientClues(
        identifiers=identifiers,
        names=names,
        birth_dates=births,
        sex=told.sex or read.sex if len(sexes) < 2 else told.sex,
        doubts=tuple(dict.fromkeys(doubts)),
    )
