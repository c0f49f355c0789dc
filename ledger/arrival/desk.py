"""The desk on which a file is opened: form, extraction, then text, envelope and clues of each part."""

from __future__ import annotations

from ledger.arrival import plain
from ledger.arrival.forms import form_of
from ledger.arrival.headers import clues_in, envelope_in, other_patient
from ledger.arrival.values import LIMITS, Arrived, ArrivedReport, CannotRead, Form, Limits, Why
from ledger.errors import Doubt


def arrive(
    original: bytes, file_name: str | None = None, media_type: str | None = None, *, limits: Limits = LIMITS
) -> Arrived:
    """The reports that a file holds, and what of it could not be read. Never raises for what is in the file."""
    form = Form.UNKNOWN
    try:
        if len(original) > limits.file_bytes:
            raise CannotRead(
                Why.TOO_LARGE,
                f"The file has {len(original)} bytes; the limit is {limits.file_bytes}.",
                "Split it, or import the reports one by one.",
            )
        form, found_type = form_of(original, file_name, media_type)
        if form is not Form.PLAIN:
            raise CannotRead(
                Why.NOT_SUPPORTED, f"Files of the form {form.value} are not read.", "Import it as plain text."
            )
        return _plain_text(original, found_type, media_type, limits)
    except CannotRead as why:
        return Arrived(form=form, unreadable=(why.as_unreadable(),))


def _plain_text(original: bytes, found_type: str, media_type: str | None, limits: Limits) -> Arrived:
    decoded = plain.decoded(original, _charset(media_type), limits)
    doubts = (
        (
            Doubt(
                code="encoding-guessed",
                words=f"The text does not say its encoding; it was read as {decoded.encoding}.",
            ),
        )
        if decoded.guessed
        else ()
    )
    stretches = plain.reports_in(decoded.text, other_patient)
    parts = []
    for part, (start, end) in enumerate(stretches, start=1):
        text = decoded.text[start:end]
        parts.append(
            ArrivedReport(
                part=part,
                text=text,
                media_type=found_type,
                envelope=envelope_in(text, Form.PLAIN, encoding=decoded.encoding, doubts=doubts),
                clues=clues_in(text),
            )
        )
    return Arrived(form=Form.PLAIN, parts=tuple(parts))


def _charset(media_type: str | None) -> str | None:
    for parameter in (media_type or "").split(";")[1:]:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "charset":
            return value.strip() or None
    return None
