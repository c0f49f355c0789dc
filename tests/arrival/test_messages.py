"""HL7 v2, FHIR and C-CDA. Delimiters, fields and escapes are checked against the independent library `hl7` (PyPI)."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Any

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.arrival import Desk, DocumentStatus, Why
from ledger.arrival.hl7v2 import messages_in, parsed, timestamp
from ledger.arrival.values import Arrived, ArrivedReport
from tests.arrival import making
from tests.arrival.making import BODY, HEADER, REPORT

LINES = BODY.split("\n")
OID = "urn:oid:1.2.826.0.1.99999.7"


@pytest.fixture(scope="module")
def desk() -> Iterator[Desk]:
    with Desk() as made:
        yield made


def only(found: Arrived) -> ArrivedReport:
    assert found.unreadable == ()
    assert len(found.parts) == 1
    return found.parts[0]


def why(found: Arrived) -> list[Why]:
    return [one.code for one in found.unreadable]


# --- HL7 v2: against an independent library -----------------------------------------------------------------------


@pytest.mark.parametrize("message", [making.mdm("T02", LINES), making.mdm("T06", ["a"]), making.oru(LINES)])
def test_segments_fields_and_components_are_those_that_another_library_finds(message: str) -> None:
    theirs, ours = hl7.parse(message), parsed(message.encode())

    for (name, fields), segment in zip(ours.segments, theirs, strict=True):
        assert name == str(segment[0])
        assert list(fields[1:]) == [str(field) for field in segment[1:]]
    pid = theirs.segment("PID")
    assert ours.value(ours.first("PID"), 5, 2) == str(pid[5][0][1])
    assert ours.value(ours.first("PID"), 3, 1) == str(pid[3][0][0])
    assert len(ours.repetitions(ours.first("PID"), 3)) == len(pid[3])


TEXT = st.text(alphabet=st.sampled_from("ab |^&~\\#1%éß"), max_size=30)


@given(TEXT)
def test_law_whatever_another_library_escapes_comes_back_as_it_was(text: str) -> None:
    message = making.mdm("T02", ["x"])
    theirs = hl7.parse(message)
    ours = parsed(message.encode())

    assert ours.text(theirs.escape(text)) == text


@pytest.mark.parametrize(
    ("escaped", "plain"),
    [
        (r"a\F\b\S\c\T\d\R\e\E\f", r"a|b^c&d~e\f"),
        (r"line one\.br\line two", "line one\nline two"),
        (r"one\.sp2\two\.sk3\three", "one\n\ntwo   three"),
        (r"\H\bold\N\ plain", "bold plain"),
        (r"\X48656C6C6F\ \XC3A9\ ", "Hello é "),
        (r"\.in+4\\.ti-2\indented\.fi\\.nf\ ", "indented "),
        (r"\Zhouse\kept", "kept"),
        (r"C:\no escape", r"C:\no escape"),
        (r"ends in \ ", "ends in \\ "),
        (r"\unknown\ stays", r"\unknown\ stays"),
    ],
)
def test_escapes_are_resolved_as_the_standard_says(escaped: str, plain: str) -> None:
    assert parsed(making.mdm("T02", ["x"]).encode()).text(escaped) == plain


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("20240314", "2024-03-14"),
        ("202403141130", "2024-03-14T11:30"),
        ("20240314113015.123-0500", "2024-03-14T11:30:15-05:00"),
        ("202403", "2024-03"),
        ("20240314000000", "2024-03-14"),
        ("20241301", None),
        ("", None),
        (None, None),
        ("yesterday", None),
    ],
)
def test_times_are_as_precise_as_they_were_sent(said: str | None, meant: str | None) -> None:
    assert timestamp(said) == meant


# --- HL7 v2: documents --------------------------------------------------------------------------------------------


def test_a_document_message_gives_text_envelope_and_patient(desk: Desk) -> None:
    found = only(desk.arrive(making.mdm("T02", LINES).encode()))

    assert found.text == BODY + "\n"
    envelope = found.envelope
    assert (envelope.performed, envelope.dated) == ("2024-03-14", "2024-03-14")
    assert envelope.received == "2024-03-15T10:15:00+00:00"
    assert (envelope.sender, envelope.message_id) == ("HARROWGATE", "MSG-T02")
    assert (envelope.document_id, envelope.supersedes) == ("HARROWGATE|DOC-1", ())
    assert (envelope.status, envelope.document_kind) == (DocumentStatus.FINAL, "Operative note")
    clues = found.clues
    assert [(one.value, one.system) for one in clues.identifiers] == [
        ("K204817", OID),
        ("999 000 0018", "https://fhir.nhs.uk/Id/nhs-number"),
    ]
    assert clues.name is not None
    assert (clues.name.family, clues.name.given) == ("VELLACOTT", "MAUD ANN")
    assert clues.birth_date is not None
    assert (clues.birth_date.readings, clues.sex) == (("1950-04-13",), "female")


@pytest.mark.parametrize(
    ("event", "state", "status", "supersedes"),
    [
        ("T02", "AU", DocumentStatus.FINAL, ()),
        ("T02", "DI", DocumentStatus.PRELIMINARY, ()),
        ("T04", "LA", DocumentStatus.FINAL, ()),
        ("T06", "AU", DocumentStatus.ADDENDUM, ("HARROWGATE|DOC-0",)),
        ("T08", "AU", DocumentStatus.CORRECTED, ("HARROWGATE|DOC-0",)),
        ("T10", "AU", DocumentStatus.CORRECTED, ("HARROWGATE|DOC-0",)),
    ],
)
def test_the_event_says_whether_a_document_is_about_an_earlier_one(
    desk: Desk, event: str, state: str, status: DocumentStatus, supersedes: tuple[str, ...]
) -> None:
    parent = "DOC-0" if supersedes else ""

    found = only(desk.arrive(making.mdm(event, LINES, state=state, parent=parent).encode()))

    assert (found.envelope.status, found.envelope.supersedes) == (status, supersedes)


def test_an_edit_keeps_the_number_of_its_document(desk: Desk) -> None:
    found = only(desk.arrive(making.mdm("T08", LINES, own="DOC-1").encode()))

    assert found.envelope.supersedes == ("HARROWGATE|DOC-1",)


def test_a_withdrawal_says_which_document_it_takes_back(desk: Desk) -> None:
    found = desk.arrive(making.mdm("T11", [], own="DOC-1", obx="").encode())

    assert why(found) == [Why.WITHDRAWN]
    assert found.unreadable[0].envelope is not None
    assert found.unreadable[0].envelope.supersedes == ("HARROWGATE|DOC-1",)
    assert found.unreadable[0].clues is not None
    assert found.unreadable[0].clues.names[0].family == "VELLACOTT"


def test_a_result_message_gives_text_and_its_own_status(desk: Desk) -> None:
    final, corrected = only(desk.arrive(making.oru(LINES).encode())), only(desk.arrive(making.oru(LINES, "C").encode()))

    assert final.text == BODY + "\n"
    assert final.envelope.performed == "2024-03-14T11:30"
    assert (final.envelope.status, final.envelope.supersedes) == (DocumentStatus.FINAL, ())
    assert (corrected.envelope.status, corrected.envelope.supersedes) == (DocumentStatus.CORRECTED, ("RIS|F-99",))


def obx(*fields: str) -> str:
    return f"OBX|{'|'.join(fields)}\r"


def test_headings_numbers_and_notes_of_a_result_are_laid_out_as_lines(desk: Desk) -> None:
    segments = (
        obx("1", "FT", "1^Findings", "", r"80 % stenosis\.br\of the arch", "", "", "", "", "", "F")
        + obx("2", "FT", "1^Findings", "", "Central veins patent", "", "", "", "", "", "F")
        + obx("3", "NM", "2^Access flow", "", "650", "mL/min", "", "", "", "", "F")
        + obx("4", "CWE", "3^Outcome", "", "S^Success^L", "", "", "", "", "", "F")
        + obx("5", "TX", "4^Impression", "", "Opened~twice", "", "", "", "", "", "F")
        + "NTE|1||Typed later\r"
    )

    found = only(desk.arrive(making.mdm("T02", [], obx=segments).encode()))

    assert found.text == (
        "Findings:\n80 % stenosis\nof the arch\nCentral veins patent\nAccess flow: 650 mL/min\nOutcome: Success\n"
        "\nImpression:\nOpened\ntwice\nTyped later\n"
    )


def test_lines_that_the_message_takes_back_are_left_out_with_a_doubt(desk: Desk) -> None:
    segments = obx("1", "TX", "1", "", "Right arm", "", "", "", "", "", "W") + obx(
        "2", "TX", "1", "", "Left arm fistula", "", "", "", "", "", "F"
    )

    found = only(desk.arrive(making.mdm("T02", [], obx=segments).encode()))

    assert found.text == "Left arm fistula\n"
    assert "observation-withdrawn" in [doubt.code for doubt in found.envelope.doubts]


def encapsulated(content: bytes, kind: str = "Application", subtype: str = "PDF", encoding: str = "Base64") -> str:
    data = base64.b64encode(content).decode() if encoding == "Base64" else content.decode()
    return obx("2", "ED", "PDF^Report", "", f"DICT^{kind}^{subtype}^{encoding}^{data}", "", "", "", "", "", "F")


@pytest.mark.parametrize(
    ("content", "kind", "subtype", "encoding"),
    [
        (making.pdf([REPORT]), "Application", "PDF", "Base64"),
        (making.rtf(REPORT), "application", "rtf", "Base64"),
        (REPORT.encode(), "TEXT", "", "Base64"),
        (REPORT.replace("\n", r"\.br\ ".strip()).encode(), "TEXT", "", "A"),
        (making.html(REPORT), "text", "html", "Base64"),
    ],
    ids=["pdf", "rtf", "text", "text as it is", "html"],
)
def test_a_document_within_a_message_is_opened(
    desk: Desk, content: bytes, kind: str, subtype: str, encoding: str
) -> None:
    found = only(desk.arrive(making.mdm("T02", [], obx=encapsulated(content, kind, subtype, encoding)).encode()))

    assert found.text.split() == REPORT.split()
    assert found.envelope.message_id == "MSG-T02"
    assert found.clues.doubts == ()


def test_text_and_the_same_document_beside_it_are_one_report(desk: Desk) -> None:
    typed = "".join(obx(str(n), "TX", "1", "", line, "", "", "", "", "", "F") for n, line in enumerate(LINES))

    found = only(desk.arrive(making.mdm("T02", [], obx=typed + encapsulated(making.pdf([REPORT]))).encode()))

    assert found.text.count("FINDINGS:") == 1


def test_a_line_that_points_to_the_document_stands_above_it(desk: Desk) -> None:
    typed = obx("1", "TX", "1", "", "Please see the attached document.", "", "", "", "", "", "F")

    found = only(desk.arrive(making.mdm("T02", [], obx=typed + encapsulated(making.pdf([REPORT]))).encode()))

    assert found.text.startswith("Please see the attached document.\n\nHarrowgate")


@pytest.mark.parametrize(
    ("segments", "code"),
    [
        ("", Why.NO_TEXT),
        (obx("1", "ED", "1", "", "D^Application^PDF^Base64^not base64!", "", "", "", "", "", "F"), Why.BROKEN),
        (encapsulated(making.locked_pdf(making.pdf([REPORT]), "x")), Why.ENCRYPTED),
        (encapsulated(making.zipped({"a.txt": b"a"})), Why.NOT_SUPPORTED),
    ],
)
def test_a_message_without_a_readable_report_says_why(desk: Desk, segments: str, code: Why) -> None:
    found = desk.arrive(making.mdm("T02", [], obx=segments).encode())

    assert why(found) == [code]
    assert found.unreadable[0].envelope is not None
    assert found.unreadable[0].envelope.message_id == "MSG-T02"


@pytest.mark.parametrize(
    ("charset", "codec"),
    [("UNICODE UTF-8", "utf-8"), ("8859/1", "latin-1"), ("8859/2", "iso-8859-2"), ("8859/15", "iso-8859-15")],
)
def test_letters_are_those_of_the_encoding_that_the_message_names(desk: Desk, charset: str, codec: str) -> None:
    found = only(desk.arrive(making.mdm("T02", ["Fistel genäht, ß"], charset=charset).encode(codec)))

    assert found.text == "Fistel genäht, ß\n"
    assert found.envelope.doubts == ()


def test_a_message_that_names_the_wrong_encoding_is_read_with_a_doubt(desk: Desk) -> None:
    found = only(desk.arrive(making.mdm("T02", ["Fistel genäht"], charset="UNICODE UTF-8").encode("cp1252")))

    assert found.text == "Fistel genäht\n"
    assert [doubt.code for doubt in found.envelope.doubts] == ["encoding-guessed"]


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
@pytest.mark.parametrize("frame", [("", ""), ("\x0b", "\x1c\r")])
def test_a_batch_gives_each_message_by_itself(desk: Desk, end: str, frame: tuple[str, str]) -> None:
    messages = [f"{frame[0]}{making.mdm('T02', LINES)}{frame[1]}", f"{frame[0]}{making.oru(LINES)}{frame[1]}"]

    found = desk.arrive(making.in_batch(messages).replace("\r", end).encode())

    assert [part.envelope.message_id for part in found.parts] == ["MSG-T02", "MSG-ORU"]
    assert found.is_complete


def test_one_broken_message_of_a_batch_is_set_apart_and_the_rest_is_read(desk: Desk) -> None:
    broken = "MSH|||broken||||||||\rOBX|1|TX|1||lost\r"

    found = desk.arrive(making.in_batch([making.mdm("T02", LINES), broken, making.oru(LINES)]).encode())

    assert [part.part for part in found.parts] == [1, 3]
    assert [(one.part, one.code) for one in found.unreadable] == [(2, Why.BROKEN)]


def test_a_batch_that_lost_a_message_on_the_way_says_so(desk: Desk) -> None:
    found = desk.arrive(making.in_batch([making.mdm("T02", LINES)], said=2).encode())

    assert len(found.parts) == 1
    assert "says that it holds 2 messages; 1 are here" in found.unreadable[0].problem


def test_text_broken_over_lines_is_put_together(desk: Desk) -> None:
    message = making.mdm("T02", ["First line\nsecond line\n\nthird line"])

    found = only(desk.arrive(message.encode()))

    assert found.text == "First line\nsecond line\n\nthird line\n"
    assert [doubt.code for doubt in found.envelope.doubts] == ["segment-over-lines"]


def test_other_delimiters_are_those_that_the_message_names(desk: Desk) -> None:
    message = making.mdm("T02", ["Left graft", r"opened \T\ patent"]).translate(str.maketrans("|^~&", "!$*%"))

    found = only(desk.arrive(message.encode()))

    assert found.text == "Left graft\nopened % patent\n"
    assert [one.value for one in found.clues.identifiers] == ["K204817", "999 000 0018"]


def test_two_patients_in_one_message_are_a_doubt_and_no_clue(desk: Desk) -> None:
    message = making.mdm("T02", LINES).replace("PV1|1|O\r", f"{making.PID}\rPV1|1|O\r")

    found = only(desk.arrive(message.encode()))

    assert found.clues.identifiers == ()
    assert "patients-disagree" in [doubt.code for doubt in found.clues.doubts]


def test_a_header_in_the_text_that_names_somebody_else_is_a_doubt(desk: Desk) -> None:
    found = only(desk.arrive(making.mdm("T02", ["Patient: PENNICK, Ivor", *LINES]).encode()))

    assert [doubt.code for doubt in found.clues.doubts] == ["names-disagree"]


def test_numbers_that_are_not_the_patients_are_no_clue(desk: Desk) -> None:
    message = making.mdm("T02", LINES).replace("999 000 0018^^^NHS^NH", "55-66^^^INSURER^AN~123-45-6789^^^^SS")

    found = only(desk.arrive(message.encode()))

    assert [one.value for one in found.clues.identifiers] == ["K204817"]


@pytest.mark.parametrize("kind", ["ADT^A01", "ORM^O01"])
def test_a_message_of_another_kind_is_no_report(desk: Desk, kind: str) -> None:
    found = desk.arrive(making.mdm("T02", LINES).replace("MDM^T02", kind, 1).encode())

    assert why(found) == [Why.NOT_SUPPORTED]


def test_a_batch_is_parted_where_each_message_begins() -> None:
    messages, said = messages_in(making.in_batch([making.oru(LINES)] * 3).encode())

    assert (len(messages), said) == (3, 3)


# --- FHIR ---------------------------------------------------------------------------------------------------------

TYPED = making.attachment(REPORT.encode(), "text/plain")


def test_a_document_reference_in_a_bundle_gives_text_envelope_and_patient(desk: Desk) -> None:
    found = only(
        desk.arrive(making.as_json(making.bundle(making.PATIENT_RESOURCE, making.document_reference([TYPED]))))
    )

    assert found.text == REPORT
    assert found.envelope.performed == "2024-03-14"
    assert found.envelope.dated == "2024-03-15T10:15:00Z"
    assert found.envelope.received == "2024-03-15T11:00:00Z"
    assert found.envelope.document_id == "https://harrowgate.invented.example/document|DOC-1"
    assert (found.envelope.status, found.envelope.author) == (DocumentStatus.FINAL, "Ada Fennimore")
    assert found.clues.identifiers[0].system == "https://harrowgate.invented.example/number"
    assert found.clues.name is not None
    assert found.clues.name.text == "Vellacott, Maud Ann"
    assert found.clues.doubts == ()


def test_our_invented_resources_are_sound_for_an_independent_model() -> None:
    # fhir.resources 8 (PyPI), R4B: the examples of this module are resources that others would send.
    from fhir.resources.R4B.bundle import Bundle

    Bundle.model_validate(making.bundle(making.PATIENT_RESOURCE, making.document_reference([TYPED])))


def test_of_several_forms_of_one_document_the_typed_one_is_read(desk: Desk) -> None:
    forms = [making.attachment(making.pdf(["from the PDF"]), "application/pdf"), TYPED]

    found = only(desk.arrive(making.as_json(making.document_reference(forms))))

    assert found.text == REPORT


def test_a_form_that_cannot_be_read_gives_way_to_one_that_can(desk: Desk) -> None:
    forms = [making.attachment(b"", "text/plain"), making.attachment(making.pdf([REPORT]), "application/pdf")]

    found = only(desk.arrive(making.as_json(making.document_reference(forms))))

    assert found.text.split() == REPORT.split()


def test_an_attachment_that_lies_in_the_same_bundle_is_found(desk: Desk) -> None:
    binary = {"resourceType": "Binary", "id": "b1", "contentType": "text/plain", "data": TYPED["data"]}
    linked = {"contentType": "text/plain", "url": "Binary/b1"}

    found = only(desk.arrive(making.as_json(making.bundle(making.document_reference([linked]), binary))))

    assert found.text == REPORT


def test_an_attachment_that_lies_on_a_server_is_said_to(desk: Desk) -> None:
    linked = {"contentType": "text/plain", "url": "https://harrowgate.invented.example/Binary/9"}

    assert why(desk.arrive(making.as_json(making.document_reference([linked])))) == [Why.LINKED]


@pytest.mark.parametrize(
    ("changes", "status", "supersedes"),
    [
        ({"docStatus": "preliminary"}, DocumentStatus.PRELIMINARY, ()),
        (
            {"docStatus": "amended"},
            DocumentStatus.CORRECTED,
            ("https://harrowgate.invented.example/document|DOC-1",),
        ),
        (
            {"relatesTo": [{"code": "replaces", "target": {"reference": "DocumentReference/old"}}]},
            DocumentStatus.CORRECTED,
            ("DocumentReference/old",),
        ),
        (
            {"relatesTo": [{"code": "appends", "target": {"identifier": {"system": "urn:x", "value": "7"}}}]},
            DocumentStatus.ADDENDUM,
            ("urn:x|7",),
        ),
    ],
)
def test_how_a_document_stands_to_an_earlier_one(
    desk: Desk, changes: dict[str, Any], status: DocumentStatus, supersedes: tuple[str, ...]
) -> None:
    found = only(desk.arrive(making.as_json(making.document_reference([TYPED], **changes))))

    assert (found.envelope.status, found.envelope.supersedes) == (status, supersedes)


@pytest.mark.parametrize("changes", [{"status": "entered-in-error"}, {"docStatus": "entered-in-error"}])
def test_a_document_entered_in_error_is_withdrawn(desk: Desk, changes: dict[str, Any]) -> None:
    assert why(desk.arrive(making.as_json(making.document_reference([TYPED], **changes)))) == [Why.WITHDRAWN]


def test_a_diagnostic_report_gives_its_presented_form_or_its_conclusion(desk: Desk) -> None:
    report = {
        "resourceType": "DiagnosticReport",
        "id": "r1",
        "status": "final",
        "code": {"text": "Fistulogram"},
        "subject": {"display": "Maud Vellacott", "identifier": {"value": "K204817"}},
        "effectiveDateTime": "2024-03-14",
        "issued": "2024-03-15T09:00:00+01:00",
        "conclusion": "80% stenosis of the cephalic arch, opened to 10%.",
    }

    bare = only(desk.arrive(making.as_json(report)))
    formed = only(desk.arrive(making.as_json(report | {"presentedForm": [TYPED]})))

    assert bare.text == "80% stenosis of the cephalic arch, opened to 10%."
    assert formed.text == REPORT
    assert (bare.envelope.performed, bare.envelope.dated) == ("2024-03-14", "2024-03-15T09:00:00+01:00")
    assert bare.clues.name is not None
    assert bare.clues.name.text == "Maud Vellacott"


def test_a_composition_is_read_by_its_sections(desk: Desk) -> None:
    composition = {
        "resourceType": "Composition",
        "status": "final",
        "title": "Operative note",
        "section": [
            {
                "title": "Findings",
                "text": {"status": "generated", "div": "<div><p>80% stenosis</p><p>No clot</p></div>"},
            }
        ],
    }

    assert (
        only(desk.arrive(making.as_json(composition))).text == "Operative note\n\nFindings:\n80% stenosis\n\nNo clot\n"
    )


def test_one_resource_a_line_is_read_like_a_bundle(desk: Desk) -> None:
    import json

    lines = [json.dumps(making.document_reference([TYPED], id=f"doc-{n}")) for n in range(3)]

    assert len(desk.arrive("\n".join(lines).encode()).parts) == 3


def test_a_procedure_that_lies_between_two_days_is_not_dated(desk: Desk) -> None:
    period = {"period": {"start": "2024-03-14", "end": "2024-03-16"}}

    found = only(desk.arrive(making.as_json(making.document_reference([TYPED], context=period))))

    assert found.envelope.performed is None
    assert [doubt.code for doubt in found.envelope.doubts] == ["performed-in-a-period"]


def test_an_attachment_that_does_not_fit_its_checksum_is_a_doubt(desk: Desk) -> None:
    odd = TYPED | {"hash": base64.b64encode(b"0" * 20).decode()}

    found = only(desk.arrive(making.as_json(making.document_reference([odd]))))

    assert [doubt.code for doubt in found.envelope.doubts] == ["checksum-differs"]


def test_a_bundle_without_reports_says_what_it_holds(desk: Desk) -> None:
    found = desk.arrive(making.as_json(making.bundle(making.PATIENT_RESOURCE)))

    assert why(found) == [Why.NO_TEXT]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@given(
    st.sampled_from(["subject", "context", "relatesTo", "content", "author", "identifier", "type", "masterIdentifier"]),
    JSON,
)
def test_law_elements_of_any_shape_never_bring_the_reader_down(desk: Desk, element: str, value: Any) -> None:
    found = desk.arrive(making.as_json(making.document_reference([TYPED], **{element: value})))

    assert Why.BROKEN not in [one.code for one in found.unreadable if one.part is None]
    assert found.parts or found.unreadable


# --- C-CDA --------------------------------------------------------------------------------------------------------


def test_an_operative_note_gives_its_sections_with_headings(desk: Desk) -> None:
    found = only(desk.arrive(making.cda(making.CDA_BODY)))

    assert found.text == (
        "Operative note (invented)\n\nFindings:\n80% stenosis of the cephalic arch.\nCentral veins patent\nNo clot\n\n"
        "Procedure Description:\nLeft brachiocephalic fistula.\n8 mm balloon.\nLesion\tBefore\tAfter\n"
        "Cephalic arch\t80%\t10%\n\nComplications:\nNone\n"
    )
    assert (found.envelope.performed, found.envelope.document_kind) == ("2024-03-14", "Surgical operation note")
    assert found.envelope.sender == "Harrowgate Access Centre (invented)"
    assert [(one.value, one.system) for one in found.clues.identifiers] == [("K204817", OID)]
    assert found.clues.name is not None
    assert found.clues.name.text == "Vellacott, Maud Ann"
    assert found.clues.birth_date is not None
    assert (found.clues.birth_date.readings, found.clues.sex) == (("1950-04-13",), "female")


@pytest.mark.parametrize(("code", "status"), [("RPLC", DocumentStatus.CORRECTED), ("APND", DocumentStatus.ADDENDUM)])
def test_a_clinical_document_says_which_one_it_replaces_or_adds_to(
    desk: Desk, code: str, status: DocumentStatus
) -> None:
    earlier = '<parentDocument><id root="1.2" extension="7"/></parentDocument>'
    related = f'<relatedDocument typeCode="{code}">{earlier}</relatedDocument>'

    found = only(desk.arrive(making.cda(making.CDA_BODY, related=related)))

    assert (found.envelope.status, found.envelope.supersedes) == (status, ("urn:oid:1.2|7",))


@pytest.mark.parametrize("content", [making.pdf([REPORT]), REPORT.encode(), making.rtf(REPORT)])
def test_an_unstructured_body_is_opened(desk: Desk, content: bytes) -> None:
    data = base64.b64encode(content).decode()
    body = f'<nonXMLBody><text mediaType="application/pdf" representation="B64">{data}</text></nonXMLBody>'

    found = only(desk.arrive(making.cda(body)))

    assert found.text.split() == REPORT.split()
    assert found.envelope.document_id == "urn:oid:1.2.826.0.1.99999.7.1|DOC-1"


@pytest.mark.parametrize("body", ["", "<structuredBody/>", "<nonXMLBody/>"])
def test_a_clinical_document_without_words_says_so(desk: Desk, body: str) -> None:
    found = desk.arrive(making.cda(body).replace(b"<title>Operative note (invented)</title>", b""))

    assert why(found) == [Why.NO_TEXT]


def test_words_struck_out_in_a_narrative_are_not_read(desk: Desk) -> None:
    body = (
        "<structuredBody><component><section><text>Residual <content revised='delete'>30%</content>"
        "<content revised='insert'>10%</content></text></section></component></structuredBody>"
    )

    assert "Residual 10%" in only(desk.arrive(making.cda(body))).text


def test_the_carrier_and_the_header_of_the_text_are_one_patient_when_they_agree(desk: Desk) -> None:
    body = f"<structuredBody><component><section><text>{HEADER}</text></section></component></structuredBody>"

    found = only(desk.arrive(making.cda(body)))

    assert found.clues.doubts == ()
    assert found.clues.name is not None


def test_the_exact_birth_date_of_the_carrier_settles_one_in_the_text_that_has_two_readings(desk: Desk) -> None:
    message = making.mdm("T02", ["DOB: 03/04/1950", *LINES]).replace("19500413", "19500403")

    found = only(desk.arrive(message.encode()))

    assert found.clues.birth_date is not None
    assert found.clues.birth_date.readings == ("1950-04-03",)
    assert found.clues.doubts == ()


def test_a_birth_date_in_the_text_that_the_carrier_rules_out_is_a_doubt(desk: Desk) -> None:
    found = only(desk.arrive(making.mdm("T02", ["DOB: 03/04/1950", *LINES]).encode()))

    assert [doubt.code for doubt in found.clues.doubts] == ["birth-dates-disagree"]
