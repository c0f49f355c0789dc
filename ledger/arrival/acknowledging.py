"""What is answered to an HL7 v2 message: who sent what, whether it can be taken, and the acknowledgement.

Functions of values. `heading_of` reads MSH alone, by position, so that also a message which cannot be taken gets an
answer that names it. `judged` says whether the listener takes a message; what is in its text is nobody's business here.

Codes, from the published standard (chapter 2, HL7 tables 0008 and 0357; from memory, not looked up): AA taken; AE the
message is wrong in form; AR it is of a type, event, processing id or version that is not taken, or we cannot take
anything just now. CA, CE and CR say the same in the enhanced mode, of the storing alone.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Literal

from ledger.arrival.hl7v2 import Message, messages_in, parsed
from ledger.arrival.values import CannotRead

Code = Literal["AA", "AE", "AR"]

DOCUMENTS = ("MDM", "ORU")
EVENTS: dict[str, frozenset[str]] = {
    "MDM": frozenset(f"T{number:02}" for number in range(1, 12)),
    "ORU": frozenset({"R01"}),
    "ADT": frozenset({"A08", "A31", "A34", "A40", "A47"}),
}
"""What is taken: reports and results; changes of a patient (A08, A31), of a number (A47), and joins (A34, A40)."""

JOINING = frozenset({"A34", "A40", "A47"})
"""Events that name a record in MRG besides the one in PID."""


@dataclass(frozen=True, kw_only=True)
class Heading:
    """MSH of a message, its fields as they stand there (with their escapes), as far as they could be read.

    `sender` is application and facility. `accept` and `application` are MSH-15 and MSH-16: with either of them the
    enhanced mode is asked for.
    """

    field_sign: str = "|"
    signs: str = "^~\\&"
    sending: tuple[str, str] = ("", "")
    receiving: tuple[str, str] = ("", "")
    kind: str = ""
    event: str = ""
    control_id: str = ""
    processing: str = ""
    version: str = ""
    accept: str = ""
    application: str = ""

    @property
    def sender(self) -> str:
        return "|".join(self.sending)

    @property
    def is_enhanced(self) -> bool:
        return bool(self.accept or self.application)

    @property
    def what(self) -> str:
        """`ORU^R01`; `other` for what is none of ours, since a broken message may hold anything in that place."""
        if self.kind not in EVENTS:
            return "other"
        return f"{self.kind}^{self.event}" if re.fullmatch(r"[A-Z]\d\d", self.event) else self.kind


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """Whether a message is taken; else the number of HL7 table 0357, and the reason, which holds nothing of it."""

    code: Code
    error: int = 0
    reason: str = ""

    @property
    def is_taken(self) -> bool:
        return self.code == "AA"


_ERRORS = {
    100: "Segment sequence error",
    101: "Required field missing",
    102: "Data type error",
    200: "Unsupported message type",
    201: "Unsupported event code",
    202: "Unsupported processing id",
    203: "Unsupported version id",
    207: "Application internal error",
}

TAKEN = Judgement(code="AA")


def messages_of(block: bytes) -> list[bytes]:
    """The messages of a block: one, as MLLP has it, or those of a sender who puts several into a frame.

    Never raises: a block without a word that can be read is one message, for `judged` to turn away.
    """
    try:
        found, _ = messages_in(block)
    except CannotRead:
        return [block]
    return found if len(found) > 1 else [block]


def heading_of(raw: bytes) -> Heading:
    """MSH of a message. Never raises: what cannot be read is empty."""
    line = re.split(rb"[\r\n]", raw.removeprefix(b"\xef\xbb\xbf").lstrip(), maxsplit=1)[0].decode("latin-1")
    if not line.startswith("MSH") or len(line) < 8:
        return Heading()
    sign = line[3]
    fields = line.split(sign)
    signs = fields[1]
    every = sign + signs[:4]
    if not 2 <= len(signs) <= 5 or len(set(every)) != len(every) or not all(" " < one < "\x7f" for one in every):
        return Heading()
    if any(one.isalnum() for one in every):
        return Heading()

    def field(number: int) -> str:
        # MSH-1 is the sign between the fields itself, so the field at place n is MSH-(n + 1).
        return fields[number - 1].strip() if number - 1 < len(fields) else ""

    of_type = [*field(9).split(signs[0]), ""]
    return Heading(
        field_sign=sign,
        signs=signs,
        sending=(field(3), field(4)),
        receiving=(field(5), field(6)),
        kind=of_type[0].strip().upper(),
        event=of_type[1].strip().upper(),
        control_id=field(10),
        processing=field(11).split(signs[0])[0].strip().upper(),
        version=field(12).split(signs[0])[0].strip(),
        accept=field(15).upper(),
        application=field(16).upper(),
    )


def judged(raw: bytes, heading: Heading, processing: frozenset[str] = frozenset({"P"})) -> Judgement:
    """Whether a message is taken. `processing` are the processing ids that are: P is production."""
    if not heading.kind and not heading.control_id:
        return Judgement(code="AE", error=100, reason="It does not begin with an MSH segment that can be read.")
    if not heading.kind:
        return Judgement(code="AE", error=101, reason="MSH-9 does not say of which type the message is.")
    if not heading.control_id:
        return Judgement(code="AE", error=101, reason="MSH-10 gives the message no control id.")
    if heading.version and not heading.version.startswith("2."):
        return Judgement(code="AR", error=203, reason="MSH-12 names a version that is not one of 2.x.")
    if heading.processing and heading.processing not in processing:
        return Judgement(
            code="AR",
            error=202,
            reason=f"MSH-11 is not {' or '.join(sorted(processing))}: messages for testing are not taken here.",
        )
    if heading.kind not in EVENTS:
        return Judgement(code="AR", error=200, reason=f"Only {', '.join(sorted(EVENTS))} are taken.")
    try:
        message = parsed(raw)
    except CannotRead as why:
        return Judgement(code="AE", error=102, reason=why.problem)
    event = heading.event or message.value(message.first("EVN"), 1) or ""
    if event and event not in EVENTS[heading.kind]:
        return Judgement(
            code="AR", error=201, reason=f"Of {heading.kind} only {', '.join(sorted(EVENTS[heading.kind]))} are taken."
        )
    return _complete(message, heading.kind, event)


def _complete(message: Message, kind: str, event: str) -> Judgement:
    wanted = {"ORU": ["OBR"], "ADT": ["PID"]}.get(kind, [])
    if kind == "ADT" and not event:
        return Judgement(code="AE", error=101, reason="Neither MSH-9 nor EVN-1 says which event it is.")
    if event in JOINING:
        wanted = [*wanted, "MRG"]
    missing = [name for name in wanted if message.first(name) is None]
    if missing:
        return Judgement(code="AE", error=100, reason=f"It has no {missing[0]} segment.")
    return TAKEN


def event_of(raw: bytes) -> str:
    """The trigger event of a message that was taken: from MSH-9, else from EVN-1."""
    message = parsed(raw)
    return heading_of(raw).event or message.value(message.first("EVN"), 1) or ""


def sameness_of(raw: bytes) -> str:
    """What is equal for a message that is sent again: all of it but the time of sending, the sequence number and the
    continuation pointer (MSH-7, 13, 14), which some senders write anew."""
    parts = re.split(rb"([\r\n]+)", raw.strip(b"\r\n\x00 "), maxsplit=1)
    fields = parts[0].split(parts[0][3:4]) if len(parts[0]) > 3 else [parts[0]]
    for number in (7, 13, 14):
        if number - 1 < len(fields):
            fields[number - 1] = b""
    digest = hashlib.sha256(b"\x1f".join(fields))
    for part in parts[1:]:
        digest.update(re.sub(rb"[\r\n]+", b"\r", part))
    return digest.hexdigest()


def acknowledgements(heading: Heading, judgement: Judgement, own_id: str, at: str) -> list[bytes]:
    """The answers to a message, in their order; none where its sender wants none. `at` is a time as HL7 writes it.

    Original mode: one, AA, AE or AR. Enhanced mode: CA, CE or CR as MSH-15 asks, since the message is stored (or is
    not); then, as a message of its own, AA, AE or AR as MSH-16 asks. The senders' word is AL, NE, ER or SU; a word
    that is none of these is taken for AL, so that nobody waits for an answer in vain.
    """
    if not heading.is_enhanced:
        return [_acknowledgement(heading, judgement, judgement.code, own_id, at)]
    made = []
    if _is_wanted(heading.accept, judgement):
        made.append(_acknowledgement(heading, judgement, "C" + judgement.code[1], own_id, at))
    if _is_wanted(heading.application, judgement):
        number = f"{own_id}A" if made else own_id
        made.append(_acknowledgement(heading, judgement, judgement.code, number, at))
    return made


def _is_wanted(asked: str, judgement: Judgement) -> bool:
    match asked:
        case "" | "NE":
            return False
        case "ER":
            return not judgement.is_taken
        case "SU":
            return judgement.is_taken
        case _:
            return True


def _acknowledgement(heading: Heading, judgement: Judgement, code: str, own_id: str, at: str) -> bytes:
    sign, signs = heading.field_sign, heading.signs
    part = signs[0]
    event = f"{part}{heading.event}" if re.fullmatch(r"[A-Z]\d\d", heading.event) else ""
    version = heading.version if re.fullmatch(r"2(\.\d{1,2}){1,2}", heading.version) else "2.5.1"
    structure = f"{part}ACK" if event and version >= "2.3.1" else ""
    header = [
        "MSH",
        signs,
        heading.receiving[0] or "ACCESS-LEDGER",
        heading.receiving[1],
        heading.sending[0],
        heading.sending[1],
        at,
        "",
        f"ACK{event}{structure}",
        own_id,
        heading.processing or "P",
        version,
    ]
    answer = ["MSA", code, heading.control_id, _plain(judgement.reason, sign, signs)]
    lines = [sign.join(header), sign.join(answer).rstrip(sign)]
    if not judgement.is_taken and version >= "2.5":
        error = f"{judgement.error}{part}{_ERRORS[judgement.error]}{part}HL70357"
        lines.append(sign.join(["ERR", "", "", error, "E", "", "", "", _plain(judgement.reason, sign, signs)]))
    return ("\r".join(lines) + "\r").encode("latin-1")


def _plain(words: str, sign: str, signs: str) -> str:
    """Our own words without any of the sender's delimiters."""
    return "".join(" " if one in sign + signs else one for one in words)
