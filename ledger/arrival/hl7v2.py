"""HL7 v2 messages → reports: MDM (T01 to T11) and ORU (R01), one or a batch, as files.

Read by position, since that is how the standard defines it; only the segments that a
report needs. Tolerated, because files hold them: MLLP framing, line feeds between
segments, text broken over lines. Each message is read by itself: one that is broken is
set apart with its number, and the others are read.

Sources, from the published standard (from memory, not looked up): chapter 2 for
delimiters, escapes and MSH-18; chapter 3 for PID; chapter 7 for OBR and OBX; chapter 9
for TXA and the trigger events T01 to T11.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from ledger.arrival import plain
from ledger.arrival.carried import from_base64
from ledger.arrival.headers import NHS_NUMBER, nhs_number_holds
from ledger.arrival.opening import Document, Refused, embedded
from ledger.arrival.values import (
    BirthDateClue,
    CannotRead,
    DocumentStatus,
    IdentifierClue,
    Limits,
    NameClue,
    PatientClues,
    Why,
)
from ledger.dates import PartialDate
from ledger.errors import Doubt

MEDIA_TYPE = "x-application/hl7-v2+er7"
_ASK = "Ask the sender for the message once more."


def hl7_documents(original: bytes, limits: Limits) -> Iterator[Document | Refused]:
    """The documents of a file of messages, in its order. Raises CannotRead when there is no message in it."""
    messages, said_count = messages_in(original)
    if not messages:
        raise CannotRead(Why.BROKEN, "The file holds no HL7 message: no MSH segment.", _ASK)
    for raw in messages:
        try:
            message = parsed(raw)
        except CannotRead as why:
            yield Refused(why=why)
            continue
        yield from _documents_of(message, limits)
    if said_count is not None and said_count != len(messages):
        yield Refused(
            why=CannotRead(
                Why.BROKEN,
                f"The batch says that it holds {said_count} messages; {len(messages)} are here.",
                "Ask the sender for the batch once more; what is here was read.",
            )
        )


# --- Bytes → segments, fields, components -------------------------------------------------------------------------


@dataclass(frozen=True)
class Message:
    """A message as segments of fields, with its delimiters. Field numbers are those of the standard, from 1."""

    segments: tuple[tuple[str, tuple[str, ...]], ...]
    field_sign: str
    component_sign: str
    repetition_sign: str
    escape_sign: str
    subcomponent_sign: str
    encoding: str
    doubts: tuple[Doubt, ...] = ()

    def first(self, name: str) -> tuple[str, ...] | None:
        return next((fields for found, fields in self.segments if found == name), None)

    def repetitions(self, fields: tuple[str, ...] | None, number: int) -> list[str]:
        """The repetitions of a field, still with their components and escapes."""
        if fields is None or number >= len(fields):
            return []
        return [one for one in fields[number].split(self.repetition_sign) if one not in ("", '""')]

    def components(self, repetition: str) -> list[str]:
        return repetition.split(self.component_sign)

    def subcomponents(self, component: str) -> list[str]:
        return component.split(self.subcomponent_sign)

    def value(self, fields: tuple[str, ...] | None, number: int, component: int = 1) -> str | None:
        """The text of one component of the first repetition of a field; None where it is empty or not there."""
        found = self.repetitions(fields, number)
        if not found:
            return None
        components = self.components(found[0])
        return self.part(components, component)

    def part(self, components: list[str], number: int) -> str | None:
        """The text of one component, its first subcomponent, escapes resolved."""
        if number > len(components):
            return None
        text = self.text(self.subcomponents(components[number - 1])[0]).strip()
        return text if text and text != '""' else None

    def text(self, escaped: str) -> str:
        """Escapes resolved: delimiters, hexadecimal bytes, and the formatting commands that make lines."""
        if self.escape_sign == "" or self.escape_sign not in escaped:
            return escaped
        sign = re.escape(self.escape_sign)
        # The bytes of one letter may stand in several escapes, one after another.
        joined = re.sub(rf"((?:{sign}X(?:[0-9A-Fa-f]{{2}})+{sign})+)", self._letters, escaped)
        return re.sub(rf"{sign}([^{sign}]{{0,4000}}){sign}", self._unescaped, joined)

    def _letters(self, found: re.Match[str]) -> str:
        """Hexadecimal bytes in the encoding of the message; what is none in it is read as Windows-1252."""
        raw = bytes.fromhex(found[1].replace(self.escape_sign, "").replace("X", ""))
        try:
            text = raw.decode(self.encoding)
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
        return text.replace(self.escape_sign, f"{self.escape_sign}E{self.escape_sign}")

    def _unescaped(self, found: re.Match[str]) -> str:
        code = found[1]
        signs = {
            "F": self.field_sign,
            "S": self.component_sign,
            "T": self.subcomponent_sign,
            "R": self.repetition_sign,
            "E": self.escape_sign,
            "P": "#",
            "H": "",
            "N": "",
        }
        if code in signs:
            return signs[code]
        command = re.fullmatch(r"\.(br|sp|fi|nf|in|ti|sk|ce)([+-]?\d{0,3})", code)
        if command:
            number = int(command[2]) if command[2].lstrip("+-").isdigit() else 1
            return {"br": "\n", "ce": "\n", "sp": "\n" * max(1, number), "sk": " " * max(0, number)}.get(command[1], "")
        if re.fullmatch(r"[CM][0-9A-Fa-f]{4,6}|Z.*", code):
            return ""  # Switches of character set and escapes of one house: neither makes a word.
        return found[0]


_MLLP = b"\x0b\x1c"
_SEGMENT = re.compile(r"[A-Z][A-Z0-9]{2}(?=[^\w\s])")


def messages_in(original: bytes) -> tuple[list[bytes], int | None]:
    """The bytes of each message of a file, and how many the batch trailer says there are.

    Framing of MLLP is dropped, and so are file and batch headers.
    """
    if original.startswith((b"\xff\xfe", b"\xfe\xff")):
        # Everything below counts on bytes below 128 being signs; MSH-18 of such a file says UTF-16, and is passed over.
        original = b"\xef\xbb\xbf" + plain.decoded(original).text.encode("utf-8")
    marked = original.startswith(b"\xef\xbb\xbf")
    source = original.removeprefix(b"\xef\xbb\xbf").translate(None, _MLLP)
    starts = [found.start() for found in re.finditer(rb"(?:^|(?<=[\r\n]))MSH[^\w\s]", source)]
    said: int | None = None
    messages: list[bytes] = []
    if not starts:
        return messages, said
    for start, end in zip(starts, [*starts[1:], len(source)], strict=True):
        raw = source[start:end]
        trailer = re.search(rb"(?:^|[\r\n])(?:BTS|FTS|BHS|FHS)[^\w\s]", raw)
        if trailer:
            counted = re.search(rb"[\r\n]BTS[^\w\s](\d{1,9})", raw)
            if counted:
                said = (said or 0) + int(counted[1])
            raw = raw[: trailer.start()]
        messages.append((b"\xef\xbb\xbf" if marked else b"") + raw)
    return messages, said


_ENCODINGS = {
    "ASCII": "ascii",
    "8859/1": "iso-8859-1",
    "8859/2": "iso-8859-2",
    "8859/3": "iso-8859-3",
    "8859/4": "iso-8859-4",
    "8859/5": "iso-8859-5",
    "8859/6": "iso-8859-6",
    "8859/7": "iso-8859-7",
    "8859/8": "iso-8859-8",
    "8859/9": "iso-8859-9",
    "8859/15": "iso-8859-15",
    "UNICODE UTF-8": "utf-8",
    "UNICODE": "utf-8",
    "UTF-8": "utf-8",
    "GB 18030-2000": "gb18030",
    "KS X 1001": "euc_kr",
    "CNS 11643-1992": "euc_tw",
    "BIG-5": "big5",
}


def parsed(raw: bytes) -> Message:
    """The bytes of one message as segments. Raises CannotRead when its delimiters make no sense."""
    head = raw.removeprefix(b"\xef\xbb\xbf").lstrip()
    field_sign = chr(head[3]) if len(head) > 3 else ""
    first_line = re.split(rb"[\r\n]", head, maxsplit=1)[0].decode("latin-1")
    fields = first_line.split(field_sign) if field_sign else []
    signs = fields[1] if len(fields) > 1 else ""
    every = [field_sign, *signs[:4]]
    if (
        not 3 <= len(signs) <= 5
        or len(set(every)) != len(every)
        or any(one.isalnum() or one.isspace() for one in every)
    ):
        raise CannotRead(Why.BROKEN, "The message does not say with which signs its fields are parted (MSH-2).", _ASK)
    declared = fields[17].split(signs[1])[0].strip().upper() if len(fields) > 17 else ""
    decoded = plain.decoded(raw, _ENCODINGS.get(declared))
    doubts = []
    if decoded.guessed or (declared in _ENCODINGS and declared != "ASCII" and decoded.encoding != _codec(declared)):
        doubts.append(
            Doubt(
                code="encoding-guessed",
                words=f"The message is not in the encoding that it names, or names none; read as {decoded.encoding}.",
            )
        )
    segments: list[tuple[str, list[str]]] = []
    continued = False
    for line in decoded.text.split("\n"):
        if _SEGMENT.match(line) and line[3] == field_sign:
            segments.append((line[:3], [line[4:]]))
        elif segments and (line.strip() or segments[-1][0] == "OBX"):
            segments[-1][1].append(line)
            continued = continued or bool(line.strip())
    if continued:
        doubts.append(Doubt(code="segment-over-lines", words="A segment of the message runs over several lines."))
    made = []
    for name, lines in segments:
        while len(lines) > 1 and not lines[-1].strip():
            lines.pop()
        found = "\n".join(lines).split(field_sign)
        # MSH-1 is the sign between the fields itself.
        made.append((name, ("", field_sign, *found) if name in ("MSH", "FHS", "BHS") else ("", *found)))
    return Message(
        segments=tuple(made),
        field_sign=field_sign,
        component_sign=signs[0],
        repetition_sign=signs[1],
        escape_sign=signs[2] if len(signs) > 2 else "",
        subcomponent_sign=signs[3] if len(signs) > 3 else "&",
        encoding=decoded.encoding if decoded.encoding != "ascii" else "iso-8859-1",
        doubts=tuple(doubts),
    )


def _codec(declared: str) -> str:
    import codecs

    return codecs.lookup(_ENCODINGS[declared]).name


def timestamp(said: str | None) -> PartialDate | None:
    """A time as HL7 v2 writes it: `YYYY[MM[DD[HHMM[SS[.S]]]]][+ZZZZ]`. Midnight to the second is taken for the day.

    >>> timestamp("20240301"), timestamp("202403011530+0100"), timestamp("2024"), timestamp("20240230")
    ('2024-03-01', '2024-03-01T15:30+01:00', '2024', None)
    """
    found = re.fullmatch(
        r"(\d{4})(?:(\d\d)(?:(\d\d)(?:(\d\d)(\d\d)?(?:(\d\d)(?:\.\d{1,6})?)?)?)?)?([+-]\d{4})?", (said or "").strip()
    )
    if found is None:
        return None
    year, month, day, hour, minute, second, offset = found.groups()
    text = "-".join(one for one in (year, month, day) if one)
    if day and hour and minute and (hour, minute, second or "00") != ("00", "00", "00"):
        text += f"T{hour}:{minute}" + (f":{second}" if second else "")
        if offset:
            text += f"{offset[:3]}:{offset[3:]}"
    try:
        return PartialDate(text)
    except ValueError:
        return None


# --- Message → documents ------------------------------------------------------------------------------------------

_MDM_STATUS = {
    "T05": DocumentStatus.ADDENDUM,
    "T06": DocumentStatus.ADDENDUM,
    "T07": DocumentStatus.CORRECTED,
    "T08": DocumentStatus.CORRECTED,
    "T09": DocumentStatus.CORRECTED,
    "T10": DocumentStatus.CORRECTED,
    "T11": DocumentStatus.WITHDRAWN,
}
_COMPLETION = {
    "DI": DocumentStatus.PRELIMINARY,
    "DO": DocumentStatus.PRELIMINARY,
    "IP": DocumentStatus.PRELIMINARY,
    "IN": DocumentStatus.PRELIMINARY,
    "PA": DocumentStatus.PRELIMINARY,
    "AU": DocumentStatus.FINAL,
    "LA": DocumentStatus.FINAL,
}
_RESULT = {
    "P": DocumentStatus.PRELIMINARY,
    "R": DocumentStatus.PRELIMINARY,
    "S": DocumentStatus.PRELIMINARY,
    "A": DocumentStatus.PRELIMINARY,
    "I": DocumentStatus.PRELIMINARY,
    "F": DocumentStatus.FINAL,
    "C": DocumentStatus.CORRECTED,
    "X": DocumentStatus.WITHDRAWN,
}


def _documents_of(message: Message, limits: Limits) -> Iterator[Document | Refused]:
    header = message.first("MSH")
    kind, event = message.value(header, 9, 1), message.value(header, 9, 2)
    envelope: dict[str, Any] = {
        "received": timestamp(message.value(header, 7)),
        "sender": message.value(header, 4) or message.value(header, 3),
        "message_id": message.value(header, 10),
        "encoding": message.encoding,
    }
    clues = clues_of(message)
    if kind == "MDM":
        groups = [(_txa_envelope(message, event), [*_after(message, "TXA")])]
    elif kind == "ORU":
        groups = [(_obr_envelope(message, fields), segments) for fields, segments in _orders(message)]
    else:
        why = CannotRead(
            Why.NOT_SUPPORTED,
            "The message is neither a document (MDM) nor a result (ORU).",
            "Nothing to do, unless a report was expected in it: then ask the sender for MDM or ORU.",
        )
        yield Refused(why=why, envelope=envelope, clues=clues)
        return
    if not groups:
        why = CannotRead(Why.NO_TEXT, "The result message orders nothing: it has no OBR segment.", _ASK)
        yield Refused(why=why, envelope=envelope, clues=clues)
    for told, segments in groups:
        yield from _report_of(message, envelope | told, clues, segments, limits)


def _report_of(
    message: Message,
    envelope: dict[str, Any],
    clues: PatientClues,
    segments: list[tuple[str, tuple[str, ...]]],
    limits: Limits,
) -> Iterator[Document | Refused]:
    text, carried, doubts = _content(message, segments)
    documents: list[Document] = []
    refused: list[CannotRead] = []
    for one in carried:
        try:
            documents.append(embedded(one.content(), one.media_type, limits))
        except CannotRead as fault:
            refused.append(fault)
    if text.strip():
        documents = _joined(text, documents)
    for document in documents:
        yield replace(
            document,
            envelope=document.envelope | envelope,
            clues=clues,
            doubts=(*document.doubts, *message.doubts, *doubts),
            several=False,
            left_out=(*document.left_out, *refused) if document is documents[-1] else document.left_out,
        )
    if documents:
        return
    if envelope.get("status") is DocumentStatus.WITHDRAWN:
        why = CannotRead(
            Why.WITHDRAWN,
            "The sender takes a document back.",
            "Look at what was taken from that document, and retract what no longer holds.",
        )
    elif refused:
        why = refused[0]
    else:
        why = CannotRead(Why.NO_TEXT, "The message carries no text: no OBX segment with words.", _ASK)
    yield Refused(why=why, envelope=envelope, clues=clues)


def _joined(text: str, documents: list[Document]) -> list[Document]:
    """The text of a message and the documents that it carries beside it, each report once.

    A few words ("see attached") stand above the carried document; a text that says the same as it is not told twice.
    """
    typed = Document(text=text, media_type=MEDIA_TYPE)
    if not documents:
        return [typed]
    first = documents[0]
    words, carried = _word_set(text), _word_set(first.text)
    shared = len(words & carried)
    if words and shared >= 0.8 * len(words):
        return documents
    if carried and shared >= 0.8 * len(carried):
        return [typed, *documents[1:]]
    if len(words) < 40:
        return [replace(first, text=f"{text.rstrip()}\n\n{first.text}"), *documents[1:]]
    return [typed, *documents]


def _word_set(text: str) -> set[str]:
    return set(re.findall(r"\w+", text.lower()))


def _after(message: Message, name: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    seen = False
    for found in message.segments:
        if seen and found[0] in ("OBX", "NTE"):
            yield found
        seen = seen or found[0] == name
    if not seen:
        yield from (found for found in message.segments if found[0] in ("OBX", "NTE"))


def _orders(message: Message) -> Iterator[tuple[tuple[str, ...], list[tuple[str, tuple[str, ...]]]]]:
    order: tuple[str, ...] | None = None
    segments: list[tuple[str, tuple[str, ...]]] = []
    for name, fields in message.segments:
        if name == "OBR":
            if order is not None:
                yield order, segments
            order, segments = fields, []
        elif name in ("OBX", "NTE") and order is not None:
            segments.append((name, fields))
    if order is not None:
        yield order, segments


def _txa_envelope(message: Message, event: str | None) -> dict[str, Any]:
    fields = message.first("TXA")
    own, parent = _number(message, fields, 12), _number(message, fields, 13)
    status = _MDM_STATUS.get(event or "") or _COMPLETION.get(message.value(fields, 17) or "")
    supersedes: tuple[str, ...] = ()
    if parent is not None:
        supersedes = (parent,)
    elif own is not None and status is not None and status.is_about_an_earlier_report:
        supersedes = (own,)  # An edit or a withdrawal keeps the number of the document.
    return {
        "performed": timestamp(message.value(fields, 4)),
        "dated": timestamp(message.value(fields, 6)) or timestamp(message.value(fields, 7)),
        "author": _person(message, fields, 9) or _person(message, fields, 5),
        "document_id": own,
        "supersedes": supersedes,
        "order_number": _number(message, fields, 15) or _number(message, fields, 14),
        "status": status,
        "document_kind": message.value(fields, 2, 2) or message.value(fields, 2),
    }


def _obr_envelope(message: Message, fields: tuple[str, ...]) -> dict[str, Any]:
    status = _RESULT.get(message.value(fields, 25) or "")
    number = _number(message, fields, 3) or _number(message, fields, 2)
    corrects = status is not None and status.is_about_an_earlier_report and number is not None
    return {
        "performed": timestamp(message.value(fields, 7)),
        "dated": timestamp(message.value(fields, 22)),
        "author": _person(message, fields, 32),
        "document_id": number,
        "order_number": number,
        "supersedes": (number,) if corrects else (),
        "status": status,
        "document_kind": message.value(fields, 4, 2) or message.value(fields, 4),
    }


def _number(message: Message, fields: tuple[str, ...] | None, number: int) -> str | None:
    """An entity identifier: its number, with who gave it where that is said."""
    value, giver = message.value(fields, number), message.value(fields, number, 2)
    return f"{giver}|{value}" if value and giver else value


def _person(message: Message, fields: tuple[str, ...] | None, number: int) -> str | None:
    family, given = message.value(fields, number, 2), message.value(fields, number, 3)
    return " ".join(one for one in (given, family) if one) or message.value(fields, number)


# --- OBX → text and carried documents -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Carried:
    media_type: str | None
    encoded: str
    is_base64: bool

    def content(self) -> bytes:
        if not self.is_base64:
            return self.encoded.encode("utf-8")
        return from_base64(self.encoded)


def _content(
    message: Message, segments: list[tuple[str, tuple[str, ...]]]
) -> tuple[str, list[_Carried], tuple[Doubt, ...]]:
    """The text of the observations, the documents that they carry, and what is odd about them."""
    pieces: list[tuple[str | None, str, bool]] = []
    carried: list[_Carried] = []
    doubts: list[Doubt] = []
    for name, fields in segments:
        if name == "NTE":
            pieces += [(None, message.text(one), False) for one in message.repetitions(fields, 3)]
            continue
        if (message.value(fields, 11) or "") in ("D", "W", "X"):
            doubts.append(Doubt(code="observation-withdrawn", words="The message takes back some of its own lines."))
            continue
        kind = message.value(fields, 2) or "TX"
        label = message.value(fields, 3, 2) or message.value(fields, 3)
        if kind == "ED":
            carried += [_encapsulated(message, one) for one in message.repetitions(fields, 5)]
        elif kind == "RP":
            doubts.append(
                Doubt(code="linked-not-carried", words="The message points to a document that lies elsewhere.")
            )
        elif kind in ("TX", "FT", "ST"):
            # In text, components are no components: a sender that forgets to escape "^" still means its words.
            raw = fields[5] if len(fields) > 5 else ""
            lines = raw.split(message.repetition_sign)
            text = "\n".join(message.text(line) for line in lines)
            pieces.append((label, text if text != '""' else "", kind == "ST"))
        else:
            values = [
                message.text(" ".join(part for part in message.components(one)[1:2] or message.components(one) if part))
                if kind in ("CE", "CWE", "CNE")
                else message.text(message.components(one)[0])
                for one in message.repetitions(fields, 5)
            ]
            unit = message.value(fields, 6)
            if values:
                pieces.append((label, ", ".join(values) + (f" {unit}" if unit else ""), True))
    return _laid_out(pieces), carried, tuple(dict.fromkeys(doubts))


def _laid_out(pieces: list[tuple[str | None, str, bool]]) -> str:
    """One observation a line. Where they are called differently, what they are called stands above or before them."""
    several = len({label for label, _, _ in pieces if label}) > 1
    lines: list[str] = []
    above: str | None = None
    for label, text, short in pieces:
        if several and label and short and "\n" not in text:
            lines.append(f"{label}: {text}")
            above = None
            continue
        if several and label and label != above:
            lines += ["", f"{label}:"] if lines else [f"{label}:"]
            above = label
        lines.append(text)
    return "\n".join(lines) + "\n" if lines else ""


def _encapsulated(message: Message, repetition: str) -> _Carried:
    """ED: source^type^subtype^encoding^data."""
    components = message.components(repetition)
    kind = (message.part(components, 2) or "").lower()
    subtype = (message.part(components, 3) or "").lower()
    encoding = (message.part(components, 4) or "").lower()
    data = components[4] if len(components) > 4 else ""
    media_type = kind if "/" in kind else f"{kind}/{subtype}" if kind and subtype else None
    is_base64 = encoding in ("base64", "b64")
    if not is_base64 and encoding == "hex":
        return _Carried(media_type, base64.b64encode(_unhexed(data)).decode("ascii"), True)
    return _Carried(media_type, message.text(data), is_base64)


def _unhexed(data: str) -> bytes:
    try:
        return bytes.fromhex(data)
    except ValueError:
        return b""


# --- PID → clues --------------------------------------------------------------------------------------------------

_NOT_THE_PATIENTS = frozenset({"AN", "VN", "SS", "DL", "BA", "BC", "BR", "MA", "MC", "PPN", "WC"})
"""Types of number that are a visit's, an account's, an insurer's or a state's; never used to match."""


def clues_of(message: Message) -> PatientClues:
    """What PID says of who the patient is."""
    fields = message.first("PID")
    if fields is None:
        return PatientClues(doubts=(Doubt(code="no-patient-segment", words="The message names no patient (no PID)."),))
    if sum(1 for name, _ in message.segments if name == "PID") > 1:
        return PatientClues(
            doubts=(Doubt(code="patients-disagree", words="The message names more than one patient (several PID)."),)
        )
    identifiers: list[IdentifierClue] = []
    for number in (3, 2):
        for repetition in message.repetitions(fields, number):
            one = identifier_clue(message, repetition, f"PID-{number}")
            if one is not None and one.value not in {other.value for other in identifiers}:
                identifiers.append(one)
    said = message.value(fields, 7)
    born = timestamp(said)
    births: tuple[BirthDateClue, ...] = ()
    if said is not None and born is not None:
        births = (BirthDateClue(as_said=said, readings=(PartialDate(born[:10]),), source="PID-7"),)
    sex = {"F": "female", "M": "male", "O": "other", "A": "other"}.get(message.value(fields, 8) or "")
    return PatientClues(
        identifiers=tuple(identifiers), names=tuple(name_clue(message, fields, 5, "PID-5")), birth_dates=births, sex=sex
    )


def identifier_clue(message: Message, repetition: str, source: str) -> IdentifierClue | None:
    """One number of a patient (CX); None for a number of a visit, an account or the state."""
    components = message.components(repetition)
    value, type_code = message.part(components, 1), message.part(components, 5)
    if value is None or type_code in _NOT_THE_PATIENTS:
        return None
    authority = message.subcomponents(components[3]) if len(components) > 3 else []
    assigner = message.text(authority[0]).strip() if authority else ""
    universal = message.text(authority[1]).strip() if len(authority) > 1 else ""
    scheme = authority[2].strip().upper() if len(authority) > 2 else ""
    system = None
    if universal and scheme in ("ISO", "OID", "") and re.fullmatch(r"[0-2](\.\d+)+", universal):
        system = f"urn:oid:{universal}"
    elif universal.startswith(("http://", "https://", "urn:")):
        system = universal
    elif (type_code in ("NH", "NHS") or assigner in ("NHS", "NHSNBR")) and nhs_number_holds(value):
        system = NHS_NUMBER
    return IdentifierClue(value=value, source=source, system=system, label=type_code, assigner=assigner or None)


def name_clue(message: Message, fields: tuple[str, ...], number: int, source: str) -> Iterator[NameClue]:
    """The legal or first name; aliases and maiden names are other names of the same person, and would only confuse."""
    repetitions = [message.components(one) for one in message.repetitions(fields, number)]
    chosen = next((one for one in repetitions if message.part(one, 7) == "L"), repetitions[0] if repetitions else None)
    if chosen is None:
        return
    family = message.part(chosen, 1)
    given = " ".join(one for one in (message.part(chosen, 2), message.part(chosen, 3)) if one) or None
    if family or given:
        text = ", ".join(one for one in (family, given) if one)
        yield NameClue(text=text, source=source, family=family, given=given)
