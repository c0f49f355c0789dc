"""In which form a file came, told by its first bytes; name and declared media type decide only among texts.

To add a form, name it in `values.Form` and recognise it here.
"""

from __future__ import annotations

import re

from ledger.arrival.values import CannotRead, Form, Why

_IMAGES = {
    b"\x89PNG\r\n\x1a\n": "image/png",
    b"\xff\xd8\xff": "image/jpeg",
    b"II*\x00": "image/tiff",
    b"MM\x00*": "image/tiff",
    b"GIF87a": "image/gif",
    b"GIF89a": "image/gif",
    b"BM": "image/bmp",
}
_ARCHIVES = {
    b"\x1f\x8b": "gzip",
    b"7z\xbc\xaf\x27\x1c": "7z",
    b"Rar!": "rar",
    b"BZh": "bzip2",
    b"\xfd7zXZ": "xz",
    b"\x28\xb5\x2f\xfd": "zstd",
}
MEDIA_TYPES = {
    Form.PLAIN: "text/plain",
    Form.PDF: "application/pdf",
    Form.WORD: "application/vnd.openxmlformats-officedocument.wordprocessingml.document",
    Form.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Form.RTF: "application/rtf",
    Form.HTML: "text/html",
    Form.HL7: "x-application/hl7-v2+er7",
    Form.FHIR: "application/fhir+json",
    Form.CDA: "application/cda+xml",
    Form.CSV: "text/csv",
}
_HL7 = re.compile(rb"[\x0b\s]*(?:FHS|BHS|MSH)[^\w\s]{4,5}")
_XML = re.compile(rb"\s*(?:<\?xml|<!DOCTYPE|<!--|<[A-Za-z])")
_SUFFIXES = {"csv": Form.CSV, "tsv": Form.CSV, "htm": Form.HTML, "html": Form.HTML, "xhtml": Form.HTML}


def form_of(original: bytes, file_name: str | None = None, media_type: str | None = None) -> tuple[Form, str]:
    """The form of a file and its media type.

    Raises CannotRead for forms that are known and cannot be read (archives, old Word files, video), with what to do
    instead. What is no known form comes back as plain text, for `plain.decoded` to judge.
    """
    declared = (media_type or "").split(";")[0].strip().lower()
    head = original[:4096]
    if b"%PDF-" in head[:1100]:
        return Form.PDF, MEDIA_TYPES[Form.PDF]
    for mark, name in _IMAGES.items():
        if head.startswith(mark) and (mark != b"BM" or _is_bitmap(original)):
            return Form.IMAGE, name
    if head[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypavif"):
        raise CannotRead(
            Why.NOT_SUPPORTED, "This is a photograph in HEIC form.", "Save it as JPEG or PDF, and import that."
        )
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _zipped(original)
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        raise _old_office(original)
    for mark, name in _ARCHIVES.items():
        if head.startswith(mark):
            raise CannotRead(Why.NOT_SUPPORTED, f"This is a {name} archive.", "Unpack it, and import the folder.")
    if head.lstrip().startswith(b"{\\rtf"):
        return Form.RTF, MEDIA_TYPES[Form.RTF]
    if _HL7.match(head):
        return Form.HL7, MEDIA_TYPES[Form.HL7]
    return _among_texts(original, _plainly(head), file_name, declared)


def _among_texts(original: bytes, head: bytes, file_name: str | None, declared: str) -> tuple[Form, str]:
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if start[:1] in (b"{", b"[") and b"resourceType" in _plainly(original[:2_000_000]):
        return Form.FHIR, MEDIA_TYPES[Form.FHIR]
    if _XML.match(start):
        if b"ClinicalDocument" in head:
            return Form.CDA, MEDIA_TYPES[Form.CDA]
        if re.search(rb"<(?:!DOCTYPE\s+)?html\b", head, re.IGNORECASE):
            return Form.HTML, MEDIA_TYPES[Form.HTML]
        if b"http://hl7.org/fhir" in head:
            raise CannotRead(
                Why.NOT_SUPPORTED, "This is FHIR written as XML.", "Ask the sender for FHIR as JSON, and import that."
            )
        if start.startswith(b"<?xml") or b"<!ENTITY" in head or b"<!DOCTYPE" in head:
            return Form.CDA, MEDIA_TYPES[Form.CDA]  # read as XML, so that what is wrong with it is said by that reader
    suffix = (file_name or "").rsplit(".", 1)[-1].lower() if "." in (file_name or "") else ""
    if declared in ("text/csv", "text/tab-separated-values"):
        return Form.CSV, declared
    if declared == "text/html":
        return Form.HTML, declared
    if suffix in _SUFFIXES and declared in ("", "text/plain", "application/octet-stream"):
        form = _SUFFIXES[suffix]
        return form, MEDIA_TYPES[form]
    return Form.PLAIN, MEDIA_TYPES[Form.PLAIN]


def _plainly(head: bytes) -> bytes:
    """The beginning without the nought bytes of UTF-16, so that one pattern fits all encodings."""
    return head.replace(b"\x00", b"").removeprefix(b"\xff\xfe").removeprefix(b"\xfe\xff")


def _is_bitmap(original: bytes) -> bool:
    return (
        len(original) > 54 and original[6:10] == b"\x00\x00\x00\x00" and int.from_bytes(original[14:18], "little") >= 12
    )


def _zipped(original: bytes) -> tuple[Form, str]:
    # The names stand in the clear in the directory at the end; the first match is enough to choose who opens it.
    if b"word/document" in original:
        return Form.WORD, MEDIA_TYPES[Form.WORD]
    if b"xl/workbook" in original:
        return Form.XLSX, MEDIA_TYPES[Form.XLSX]
    if b"opendocument" in original[:200]:
        raise CannotRead(
            Why.NOT_SUPPORTED,
            "This is an OpenDocument file.",
            "Save it as Word (docx), PDF or Excel (xlsx), and import that.",
        )
    raise CannotRead(Why.NOT_SUPPORTED, "This is a zip archive.", "Unpack it, and import the folder.")


def _old_office(original: bytes) -> CannotRead:
    if "EncryptedPackage".encode("utf-16-le") in original:
        return CannotRead(
            Why.ENCRYPTED,
            "The document is protected with a password.",
            "Open it with the password, save it without one, and import that.",
        )
    return CannotRead(
        Why.NOT_SUPPORTED,
        "This is an Office file of the form used before 2007.",
        "Save it as Word (docx), Excel (xlsx) or PDF, and import that.",
    )
