"""Files in every form of arrival, made of invented reports. `python -m tests.arrival.making` writes the fixtures.

Word documents and workbooks are made by python-docx and openpyxl, PDF pages by matplotlib and by hand, pictures and
scanned pages by Pillow: other programs than the ones that read them here. Nobody and no place in them exists.
"""

from __future__ import annotations

import base64
import io
import json
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

FIXTURES = Path(__file__).parents[2] / "fixtures" / "arrival"

HEADER = "Harrowgate Access Centre (invented)\nPatient: VELLACOTT, Maud    MRN: K204817    DOB: 13/04/1950"
BODY = (
    "PROCEDURE: Left brachiocephalic fistula, fistulogram and angioplasty.\n"
    "DATE OF PROCEDURE: 14 March 2024\n"
    "FINDINGS: 80% stenosis of the cephalic arch. Central veins patent.\n"
    "INTERVENTION: 8 mm balloon. Residual stenosis 10%.\n"
    "COMPLICATIONS: None."
)
REPORT = f"{HEADER}\n\n{BODY}\n"
OTHER_REPORT = (
    "Harrowgate Access Centre (invented)\nPatient: PENNICK, Ivor    MRN: K771003    DOB: 20/11/1961\n\n"
    "PROCEDURE: Exchange of a tunneled catheter over a guidewire, right internal jugular vein.\n"
    "INDICATION: Poor flow, 180 ml/min.\nCOMPLICATIONS: None.\n"
)


# --- PDF ----------------------------------------------------------------------------------------------------------


def pdf(pages: Sequence[str], more: bytes = b"") -> bytes:
    """A PDF file written by hand: each page its lines in Helvetica, as text."""
    streams = []
    for page in pages:
        shown = "".join(f"({_escaped(line)}) Tj T*\n" for line in page.split("\n"))
        streams.append(f"BT /F1 11 Tf 14 TL 50 780 Td\n{shown}ET".encode("cp1252"))
    return pdf_of_streams(streams, more)


def pdf_of_streams(streams: Sequence[bytes], more: bytes = b"", filter_name: str | None = None) -> bytes:
    """A PDF file of these content streams, one a page. `more` stands among the keys of each page."""
    objects = [b"<< /Type /Catalog /Pages 2 0 R >>", b""]
    objects.append(b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>")
    kids = []
    for stream in streams:
        extra = f" /Filter /{filter_name}".encode() if filter_name else b""
        objects.append(b"<< /Length %d%s >>\nstream\n%s\nendstream" % (len(stream), extra, stream))
        content = len(objects)
        objects.append(
            b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents %d 0 R"
            b" /Resources << /Font << /F1 3 0 R >> >> %s >>" % (content, more)
        )
        kids.append(len(objects))
    objects[1] = b"<< /Type /Pages /Count %d /Kids [%s] >>" % (len(kids), b" ".join(b"%d 0 R" % kid for kid in kids))
    return _numbered(objects)


def _numbered(objects: Sequence[bytes]) -> bytes:
    made = io.BytesIO()
    made.write(b"%PDF-1.4\n")
    places = []
    for number, one in enumerate(objects, start=1):
        places.append(made.tell())
        made.write(b"%d 0 obj\n%s\nendobj\n" % (number, one))
    start = made.tell()
    made.write(b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1))
    made.writelines(b"%010d 00000 n \n" % place for place in places)
    made.write(b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start))
    return made.getvalue()


def _escaped(line: str) -> str:
    return line.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")


def pdf_by_matplotlib(text: str) -> bytes:
    """The same words set by another program, with an embedded font."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    made = io.BytesIO()
    with matplotlib.rc_context({"pdf.fonttype": 42}):
        figure = Figure(figsize=(8.27, 11.69))
        figure.text(0.08, 0.95, text, va="top", fontsize=9)
        figure.savefig(made, format="pdf")
    return made.getvalue()


def locked_pdf(original: bytes, password: str, owner: str | None = None) -> bytes:
    """The file behind a password (RC4, which needs nothing beside pypdf)."""
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(original)))
    writer.encrypt(password, owner, algorithm="RC4-128")
    made = io.BytesIO()
    writer.write(made)
    return made.getvalue()


def form_pdf(value: str) -> bytes:
    """A page whose words stand in a form field."""
    field = b"/Annots [<< /Type /Annot /Subtype /Widget /FT /Tx /T (Findings) /V (%s) /Rect [0 0 9 9] >>]"
    return pdf(["Procedure form of the access centre, filled in by hand"], field % value.encode("cp1252"))


def bomb_pdf(megabytes: int) -> bytes:
    """A page whose content unpacks to far more than it weighs."""
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(b" " * 1_000_000) for _ in range(megabytes)) + packer.flush()
    return pdf_of_streams([packed], filter_name="FlateDecode")


# --- Pictures -----------------------------------------------------------------------------------------------------


def picture(text: str, kind: str = "PNG", **how: Any) -> bytes:
    """A page of text as a scanner would give it: black on white, 200 dots an inch."""
    made = io.BytesIO()
    _page_image(text).save(made, kind, dpi=(200, 200), **how)
    return made.getvalue()


def scanned_pdf(pages: Sequence[str]) -> bytes:
    """Pages that are pictures, without a letter of text."""
    images = [_page_image(page) for page in pages]
    made = io.BytesIO()
    images[0].save(made, "PDF", resolution=200, save_all=True, append_images=images[1:])
    return made.getvalue()


def _page_image(text: str) -> Any:
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("L", (1654, 1100), 255)
    ImageDraw.Draw(image).multiline_text((90, 90), text, fill=0, font=ImageFont.load_default(size=30), spacing=14)
    return image


# --- Word and sheets ----------------------------------------------------------------------------------------------


def docx(paragraphs: Sequence[str], header: str | None = None, table: Sequence[Sequence[str]] = ()) -> bytes:
    """A Word document by python-docx."""
    from docx import Document

    document = Document()
    if header is not None:
        document.sections[0].header.paragraphs[0].text = header
    for paragraph in paragraphs:
        document.add_paragraph(paragraph)
    if table:
        made_table = document.add_table(rows=0, cols=len(table[0]))
        for row in table:
            for cell, text in zip(made_table.add_row().cells, row, strict=True):
                cell.text = text
    made = io.BytesIO()
    document.save(made)
    return made.getvalue()


def docx_of_xml(body: str, **others: bytes) -> bytes:
    """A Word document whose text part is written by hand; `others` are further members."""
    space = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
    text = f'<w:document xmlns:w="{space}"><w:body>{body}</w:body></w:document>'
    return zipped({"word/document.xml": text.encode(), **others})


def zipped(members: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return made.getvalue()


def xlsx(rows: Sequence[Sequence[Any]], sheet: str = "Interventions", formats: dict[str, str] | None = None) -> bytes:
    """A workbook by openpyxl; `formats` gives number formats by cell ("B2")."""
    from openpyxl import Workbook

    workbook = Workbook()
    page = workbook.active
    assert page is not None
    page.title = sheet
    for row in rows:
        page.append(list(row))
    for cell, code in (formats or {}).items():
        page[cell].number_format = code
    made = io.BytesIO()
    workbook.save(made)
    return made.getvalue()


LIST_ROWS: list[list[str]] = [
    ["MRN", "Patient", "DOB", "Date", "Procedure", "Access", "Side", "Centre"],
    [
        "K204817",
        "VELLACOTT, Maud",
        "13/04/1950",
        "14/03/2024",
        "Fistulogram; cephalic arch 80% opened with an 8 mm balloon, residual 10%",
        "brachiocephalic fistula",
        "left",
        "Harrowgate (invented)",
    ],
    [
        "K771003",
        "PENNICK, Ivor",
        "20/11/1961",
        "02/04/2024",
        "Tunneled catheter exchanged over a wire for poor flow",
        "tunneled catheter, internal jugular",
        "right",
        "Harrowgate (invented)",
    ],
]


# --- HL7 v2 -------------------------------------------------------------------------------------------------------

PID = (
    "PID|1||K204817^^^HARROWGATE&1.2.826.0.1.99999.7&ISO^MR~999 000 0018^^^NHS^NH||VELLACOTT^MAUD^ANN^^MRS^^L"
    "||19500413|F"
)


def mdm(event: str, lines: Sequence[str], **parts: str) -> str:
    """A document message: PID, TXA, one OBX a line of text. `parts` replaces TXA fields (`own`, `parent`, `state`)."""
    own, parent, state = parts.get("own", "DOC-1"), parts.get("parent", ""), parts.get("state", "AU")
    obx = "".join(f"OBX|{n}|TX|11504-8^Surgical operation note^LN||{line}||||||F\r" for n, line in enumerate(lines, 1))
    return (
        f"MSH|^~\\&|DICTATION|HARROWGATE|LEDGER|UNIT|20240315101500+0000||MDM^{event}^MDM_T02|MSG-{event}|P|2.5.1"
        f"|||||GBR|{parts.get('charset', 'UNICODE UTF-8')}\r"
        f"EVN|{event}|20240315101500\r{PID}\rPV1|1|O\r"
        f"TXA|1|OP^Operative note|TX|20240314|55^Fennimore^Ada|20240314|20240315||55^Fennimore^Ada|||{own}^HARROWGATE"
        f"|{parent and parent + '^HARROWGATE'}|||REPORT.TXT|{state}|||AV\r{parts.get('obx', obx)}"
    )


def oru(lines: Sequence[str], status: str = "F") -> str:
    """A result message with the text in OBX."""
    obx = "".join(f"OBX|{n}|TX|FIST^Fistulogram||{line}||||||{status}\r" for n, line in enumerate(lines, 1))
    return (
        "MSH|^~\\&|RIS|HARROWGATE|LEDGER|UNIT|202403151015||ORU^R01^ORU_R01|MSG-ORU|P|2.5.1\r"
        f"{PID}\rORC|RE|P-77|F-99^RIS\rOBR|1|P-77|F-99^RIS|FIST^Fistulogram^L|||202403141130||||||||||||||"
        f"|202403150900||||{status}\r{obx}"
    ).replace(f"||||{status}\r{obx}", f"|||{status}\r{obx}")


def in_batch(messages: Sequence[str], said: int | None = None) -> str:
    """Messages within a file and a batch header, with their trailers."""
    count = len(messages) if said is None else said
    return f"FHS|^~\\&|A|B\rBHS|^~\\&|A|B\r{''.join(messages)}BTS|{count}\rFTS|1\r"


# --- FHIR and C-CDA -----------------------------------------------------------------------------------------------

PATIENT_RESOURCE: dict[str, Any] = {
    "resourceType": "Patient",
    "id": "maud",
    "identifier": [{"system": "https://harrowgate.invented.example/number", "value": "K204817"}],
    "name": [{"use": "official", "family": "Vellacott", "given": ["Maud", "Ann"]}],
    "gender": "female",
    "birthDate": "1950-04-13",
}


def attachment(content: bytes, media_type: str, **more: Any) -> dict[str, Any]:
    return {"contentType": media_type, "data": base64.b64encode(content).decode(), **more}


def document_reference(attachments: Sequence[dict[str, Any]], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "DocumentReference",
        "id": "doc-1",
        "masterIdentifier": {"system": "https://harrowgate.invented.example/document", "value": "DOC-1"},
        "status": "current",
        "docStatus": "final",
        "type": {"text": "Operative note"},
        "subject": {"reference": "Patient/maud"},
        "date": "2024-03-15T10:15:00Z",
        "author": [{"display": "Ada Fennimore"}],
        "content": [{"attachment": one} for one in attachments],
        "context": {"period": {"start": "2024-03-14", "end": "2024-03-14"}},
    } | more


def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": "2024-03-15T11:00:00Z",
        "entry": [
            {
                "fullUrl": f"https://harrowgate.invented.example/{one['resourceType']}/{one.get('id', 'x')}",
                "resource": one,
            }
            for one in resources
        ],
    }


def as_json(resource: Any) -> bytes:
    return json.dumps(resource, indent=1).encode()


def cda(body: str, **parts: str) -> bytes:
    """A clinical document; `body` is what stands within its component."""
    related = parts.get("related", "")
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<ClinicalDocument xmlns="urn:hl7-org:v3" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
  <id root="1.2.826.0.1.99999.7.1" extension="DOC-1"/>
  <code code="11504-8" codeSystem="2.16.840.1.113883.6.1" displayName="Surgical operation note"/>
  <title>Operative note (invented)</title>
  <effectiveTime value="20240315101500+0000"/>
  <recordTarget><patientRole>
    <id root="1.2.826.0.1.99999.7" extension="K204817"/>
    <patient><name use="L"><given>Maud</given><given>Ann</given><family>Vellacott</family></name>
      <administrativeGenderCode code="F" codeSystem="2.16.840.1.113883.5.1"/><birthTime value="19500413"/></patient>
  </patientRole></recordTarget>
  <author><time value="20240315"/><assignedAuthor><assignedPerson>
    <name><given>Ada</given><family>Fennimore</family></name></assignedPerson></assignedAuthor></author>
  <custodian><assignedCustodian><representedCustodianOrganization><name>Harrowgate Access Centre (invented)</name>
    </representedCustodianOrganization></assignedCustodian></custodian>
  <documentationOf><serviceEvent classCode="PROC"><effectiveTime><low value="20240314"/></effectiveTime>
    </serviceEvent></documentationOf>{related}
  <component>{body}</component>
</ClinicalDocument>""".encode()


CDA_BODY = """<structuredBody>
  <component><section><title>Findings</title><text><paragraph>80% stenosis of the <content styleCode="Bold">cephalic
    arch</content>.</paragraph><list><item>Central veins patent</item><item>No clot</item></list></text></section>
  </component>
  <component><section><title>Procedure Description</title><text>Left brachiocephalic fistula.<br/>8 mm balloon.
    <table><thead><tr><th>Lesion</th><th>Before</th><th>After</th></tr></thead>
    <tbody><tr><td>Cephalic arch</td><td>80%</td><td>10%</td></tr></tbody></table></text>
    <component><section><title>Complications</title><text>None</text></section></component></section></component>
</structuredBody>"""


def rtf(text: str) -> bytes:
    r"""Rich text as a dictation system writes it: a font table, \par at line ends, \u for letters beyond ASCII."""
    shown = "".join(
        {"\n": "\\par\n", "\\": "\\\\", "{": "\\{", "}": "\\}"}.get(sign, sign if sign < "\x80" else f"\\u{ord(sign)}?")
        for sign in text
    )
    head = r"{\rtf1\ansi\ansicpg1252{\fonttbl{\f0 Arial;}}{\*\generator Invented;}\f0\fs20 "
    return (head + shown + "}").encode("ascii")


def html(text: str) -> bytes:
    paragraphs = "".join(f"<p>{line}</p>" for line in text.split("\n") if line)
    return (
        "<!DOCTYPE html><html><head><title>not shown</title><style>p{}</style></head>"
        f"<body>{paragraphs}<script>var x = 'not shown'</script><div style='display: none'>not shown</div></body>"
        "</html>"
    ).encode()


def write_fixtures(folder: Path = FIXTURES) -> None:
    """One good file of each form, for whoever tests an import of a folder."""
    from ledger.arrival.sheets import proposed_mapping

    lines = BODY.replace("\n", "\r").split("\r")
    listed = "\n".join(",".join(f'"{cell}"' for cell in row) for row in LIST_ROWS) + "\n"
    mapping = proposed_mapping(LIST_ROWS[0], "Harrowgate list")
    made: dict[str, bytes] = {
        "report.txt": REPORT.encode(),
        "report.pdf": pdf([REPORT]),
        "two-reports.pdf": pdf([REPORT, OTHER_REPORT]),
        "scanned.pdf": scanned_pdf([REPORT]),
        "scanned.png": picture(REPORT),
        "report.docx": docx(BODY.split("\n"), header=HEADER.split("\n")[1]),
        "report.rtf": rtf(REPORT),
        "report.html": html(REPORT),
        "mdm-t02.hl7": mdm("T02", lines).encode(),
        "mdm-t06-addendum.hl7": mdm(
            "T06", ["ADDENDUM", "The residual stenosis was 20%, not 10%."], own="DOC-2", parent="DOC-1"
        ).encode(),
        "mdm-t10-replacement.hl7": mdm(
            "T10", [line.replace("10%", "20%") for line in lines], own="DOC-3", parent="DOC-1"
        ).encode(),
        "oru-r01.hl7": oru(lines).encode(),
        "batch.hl7": in_batch([mdm("T02", lines), oru(lines)]).encode(),
        "document-reference.json": as_json(
            document_reference([attachment(REPORT.encode(), "text/plain")], contained=[PATIENT_RESOURCE])
            | {"subject": {"reference": "#maud"}}
        ),
        "bundle.json": as_json(
            bundle(PATIENT_RESOURCE, document_reference([attachment(pdf([REPORT]), "application/pdf")]))
        ),
        "operative-note.xml": cda(CDA_BODY),
        "list.csv": listed.encode(),
        "list.xlsx": xlsx(LIST_ROWS),
        "list-columns.json": type(mapping)(name=mapping.name, columns=mapping.columns, dates="day-first").to_json(),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in made.items():
        (folder / name).write_bytes(content)


if __name__ == "__main__":
    write_fixtures()
