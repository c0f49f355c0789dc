"""What arrives, as values: reports with their envelope and the clues to the patient, and what could not be read.

Nothing here decides anything. Who the patient is, is for `ledger.matching`; what was
done, for `ledger.reading`. A clue is what the file says about the patient, with where
it says so; two clues that disagree are both kept.

To add a form of arrival, name it in `Form`, recognise it in `forms.py`, and write the
module that makes `ArrivedReport`s of its bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ledger.dates import PartialDate
from ledger.errors import Doubt


class Form(StrEnum):
    """In which form a file came. Said to people; decides which extraction runs."""

    PLAIN = "plain-text"
    PDF = "pdf"
    IMAGE = "image"
    WORD = "word-document"
    RTF = "rich-text"
    HTML = "html"
    HL7 = "hl7-v2"
    FHIR = "fhir-json"
    CDA = "c-cda"
    CSV = "csv"
    XLSX = "xlsx"
    UNKNOWN = "unknown"


class Why(StrEnum):
    """Why something could not be read. The value is what scripts see; it never changes its meaning."""

    EMPTY = "empty"
    NO_TEXT = "no-text"  # well formed, but there are no words in it
    ENCRYPTED = "encrypted"
    BINARY = "binary"  # no form that we know
    TOO_LARGE = "too-large"
    TOO_LONG = "took-too-long"
    TOO_MUCH_MEMORY = "took-too-much-memory"
    BROKEN = "broken"
    HOSTILE = "hostile"  # built to exhaust or to deceive whoever opens it: entity definitions, zip bombs
    NOT_SUPPORTED = "not-supported"
    OCR_MISSING = "ocr-missing"
    OCR_FOUND_NOTHING = "ocr-found-nothing"
    MAPPING_MISSING = "column-mapping-missing"
    MAPPING_UNFIT = "column-mapping-does-not-fit"
    WITHDRAWN = "withdrawn"  # the sender takes a document back; there is nothing to read
    LINKED = "linked-not-carried"  # the message only points to where the text lies


class DocumentStatus(StrEnum):
    """How finished the sender says that the report is. None where nobody said."""

    PRELIMINARY = "preliminary"
    FINAL = "final"
    ADDENDUM = "addendum"
    CORRECTED = "corrected"
    WITHDRAWN = "withdrawn"

    @property
    def is_about_an_earlier_report(self) -> bool:
        return self in (DocumentStatus.ADDENDUM, DocumentStatus.CORRECTED, DocumentStatus.WITHDRAWN)


@dataclass(frozen=True, kw_only=True)
class Span:
    """Where in a part's text a clue stands: code points `start` to `end`."""

    start: int
    end: int


@dataclass(frozen=True, kw_only=True)
class IdentifierClue:
    """A number of the patient. `system` is a URI where the source names one that we can tell; else None.

    `label` is what the number is called there ("MRN"), or who gave it ("assigner HOSP"); `source` says where it
    stands: `text`, `PID-3`, `subject`, `column Hosp No`, `recordTarget`.
    """

    value: str
    source: str
    system: str | None = None
    label: str | None = None
    assigner: str | None = None
    span: Span | None = None


@dataclass(frozen=True, kw_only=True)
class NameClue:
    """A name as it was said. `family` and `given` only where the source tells them apart."""

    text: str
    source: str
    family: str | None = None
    given: str | None = None
    span: Span | None = None


@dataclass(frozen=True, kw_only=True)
class BirthDateClue:
    """A birth date as it was said, with every day that it can mean.

    "03/04/1950" is 3 April or 4 March: two readings, in no order of preference. One reading: no doubt.
    """

    as_said: str
    readings: tuple[PartialDate, ...]
    source: str
    span: Span | None = None


@dataclass(frozen=True, kw_only=True)
class PatientClues:
    """What a part says about who the patient is. More than one name or birth date: the part contradicts itself."""

    identifiers: tuple[IdentifierClue, ...] = ()
    names: tuple[NameClue, ...] = ()
    birth_dates: tuple[BirthDateClue, ...] = ()
    sex: str | None = None  # as FHIR's administrative gender
    doubts: tuple[Doubt, ...] = ()

    @property
    def name(self) -> NameClue | None:
        """The name, where there is exactly one."""
        return self.names[0] if len(self.names) == 1 else None

    @property
    def birth_date(self) -> BirthDateClue | None:
        """The birth date, where there is exactly one."""
        return self.birth_dates[0] if len(self.birth_dates) == 1 else None

    @property
    def is_empty(self) -> bool:
        return not (self.identifiers or self.names or self.birth_dates)


@dataclass(frozen=True, kw_only=True)
class Envelope:
    """What a report says about itself, outside its prose, or what carried it.

    Three dates, which people mix up: `performed` is when the carrier says that it was done (HL7 OBR-7, a FHIR
    period, a column); `dated` is when the report says it was written; `received` is when the message was sent. A
    scanned or exported file's own stamp is `file_dated`, the weakest of all. A date that can be read in two ways is
    left out, and a doubt says so.

    `supersedes` holds the sender's ids of the documents that this one corrects, adds to or takes back;
    `document_id` is its own. `message_id` names the message that carried it. `told` is what a coded resource says, as
    JSON (`ledger.reading.coded`); None for prose.
    """

    form: Form = Form.PLAIN
    performed: PartialDate | None = None
    dated: PartialDate | None = None
    received: PartialDate | None = None
    file_dated: PartialDate | None = None
    sender: str | None = None
    author: str | None = None
    message_id: str | None = None
    document_id: str | None = None
    order_number: str | None = None
    supersedes: tuple[str, ...] = ()
    status: DocumentStatus | None = None
    document_kind: str | None = None
    encoding: str | None = None
    pages: int | None = None
    by_ocr: bool = False
    told: str | None = None
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Hint:
    """A fact that stands in a column of its own: which column, what it is for, and the cell as it was typed."""

    what: str
    column: str
    text: str
    span: Span | None = None


@dataclass(frozen=True, kw_only=True)
class ArrivedReport:
    """One report: its text, what came around it, and the clues to its patient.

    `part` counts the documents of a file from 1, in the order of the file, including those that could not be read,
    so that a part keeps its number. `media_type` is that of what the text was made from. Offsets into `text` count
    Unicode code points.
    """

    part: int
    text: str
    media_type: str
    envelope: Envelope
    clues: PatientClues
    hints: tuple[Hint, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Unreadable:
    """What could not be read, why, and what to do now. `part` is None when it is the whole file.

    `problem` holds no file name and nothing from within the file, since either may name a patient. The envelope and
    the clues are there as far as they could be read: a withdrawal has no text, yet says which document it takes back.
    """

    code: Why
    problem: str
    remedy: str
    part: int | None = None
    envelope: Envelope | None = None
    clues: PatientClues | None = None


@dataclass(frozen=True, kw_only=True)
class Arrived:
    """What a file held: its reports, and what of it could not be read. One of the two is never empty.

    `headings` are the headings of a spreadsheet's columns, so that a mapping of them can be offered.
    """

    form: Form
    parts: tuple[ArrivedReport, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    headings: tuple[str, ...] = ()

    @property
    def is_complete(self) -> bool:
        return not self.unreadable


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How much a file may ask for. What asks for more is not read, and says so; the original is kept all the same.

    `seconds` and `memory_bytes` hold for the extraction of one file in its own process; recognising pictures has
    bounds of its own, for a page and for a file. `unpacked_bytes` is what a zipped document may unpack to,
    `text_length` what a text may hold in code points. `ocr_language` is the language in which pictures are
    recognised, by its name in `tesseract`.
    """

    file_bytes: int = 64 * 1024 * 1024
    text_length: int = 4_000_000
    unpacked_bytes: int = 256 * 1024 * 1024
    pages: int = 500
    scanned_pages: int = 60
    parts: int = 5_000
    seconds: float = 60.0
    ocr_seconds_a_page: float = 30.0
    ocr_seconds: float = 600.0
    ocr_language: str = "eng"
    memory_bytes: int = 1024 * 1024 * 1024


LIMITS = Limits()


class CannotRead(Exception):
    """Raised inside arrival when a file or a part of it cannot be read; becomes an `Unreadable`, never leaves."""

    def __init__(self, code: Why, problem: str, remedy: str) -> None:
        super().__init__(f"{problem} {remedy}")
        self.code = code
        self.problem = problem
        self.remedy = remedy

    def as_unreadable(
        self, part: int | None = None, envelope: Envelope | None = None, clues: PatientClues | None = None
    ) -> Unreadable:
        return Unreadable(
            code=self.code, problem=self.problem, remedy=self.remedy, part=part, envelope=envelope, clues=clues
        )
