"""PDF → text, page by page; pages that are pictures go to character recognition.

Pages are parted by form feeds. What a form was filled with stands after its page when
the page does not show it. A file that is protected only against changes opens; one that
asks for a password does not.
"""

from __future__ import annotations

import io
import re
import time
from typing import Any

from ledger.arrival import ocr
from ledger.arrival.opening import Document
from ledger.arrival.sandbox import still_working
from ledger.arrival.values import CannotRead, Limits, Why
from ledger.dates import PartialDate
from ledger.errors import Doubt

_FEWEST_LETTERS = 20
"""A page with fewer letters than this and a picture on it is taken for a scan with a stamp."""


def pdf_document(original: bytes, limits: Limits) -> Document:
    """The text of a PDF file. It may hold several reports; that is for the text to say."""
    import logging

    from pypdf import PdfReader
    from pypdf.errors import DependencyError, PyPdfError

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # its warnings can quote the file
    try:
        reader = PdfReader(io.BytesIO(original), strict=False)
        if reader.is_encrypted and not reader.decrypt(""):
            raise _protected()
        page_count = len(reader.pages)
    except DependencyError:
        raise _protected() from None
    except (PyPdfError, ValueError, KeyError, TypeError, AttributeError, IndexError, OSError):
        raise CannotRead(
            Why.BROKEN,
            "The PDF file is broken or cut short.",
            "Ask the sender for it once more, or print it to PDF anew from the program that shows it.",
        ) from None
    if page_count == 0:
        raise CannotRead(Why.EMPTY, "The PDF file has no pages.", "Ask the sender for the report once more.")
    if page_count > limits.pages:
        raise CannotRead(
            Why.TOO_LARGE,
            f"The PDF file has {page_count} pages; the limit is {limits.pages}.",
            "Split it by report, and import the pieces.",
        )
    return _document_of(reader, original, page_count, limits)


def _document_of(reader: Any, original: bytes, page_count: int, limits: Limits) -> Document:
    texts: list[str] = []
    pictures: list[int] = []
    unread: list[int] = []
    by_scanner = False
    for number in range(page_count):
        text, has_picture, is_hidden, broken = _page(reader, number, limits)
        by_scanner = by_scanner or is_hidden
        texts.append(text)
        # A garbled page can only be read by looking at it; so can one that is all picture.
        if _is_garbled(text) or (has_picture and sum(map(str.isalpha, text)) < _FEWEST_LETTERS):
            pictures.append(number)
        elif broken:
            unread.append(number)
    doubts: list[Doubt] = []
    left_out: list[CannotRead] = []
    if pictures:
        found = _recognised(reader, original, pictures, limits)
        for number in pictures:
            if number in found.pages:
                texts[number] = found.pages[number]
            elif _is_garbled(texts[number]):
                texts[number] = ""
        if found.pages:
            doubts += found.doubts
        for why, numbers in found.failed.items():
            if not any(map(str.strip, texts)):
                raise why
            left_out.append(CannotRead(why.code, f"{_pages(numbers)} could not be read. {why.problem}", why.remedy))
        wordless = [number for number in pictures if not texts[number].strip() and number not in found.tried_in_vain]
        if wordless and any(map(str.strip, texts)):
            words = f"{_pages(wordless)} of the file shows a picture in which no words were recognised."
            doubts.append(Doubt(code="page-without-words", words=words))
        elif wordless and not left_out:
            raise ocr.nothing_found()
    if unread:
        if not any(map(str.strip, texts)):
            raise CannotRead(
                Why.BROKEN,
                "No page of the PDF file can be read.",
                "Print it to PDF anew from the program that shows it, and import that.",
            )
        left_out.append(
            CannotRead(
                Why.BROKEN,
                f"{_pages(unread)} of the PDF file cannot be read.",
                "Print it to PDF anew from the program that shows it, and import that.",
            )
        )
    if by_scanner:
        words = "The words lie hidden behind a picture, as a scanner recognised them. Check every number and side."
        doubts.append(Doubt(code="recognised-by-the-scanner", words=words))
    if _attachments(reader):
        doubts.append(
            Doubt(code="attachments-not-read", words="The PDF file carries other files, which were not read.")
        )
    return Document(
        text="\f".join(texts),
        media_type="application/pdf",
        envelope={
            "pages": page_count,
            "file_dated": _stamp(reader),
            "by_ocr": any(number in pictures and texts[number] for number in range(page_count)),
        },
        several=True,
        left_out=tuple(left_out),
        doubts=tuple(doubts),
    )


_INVISIBLE = re.compile(rb"(?<![\d.])3\s+Tr\b")
"""The text rendering mode in which scanners lay what they recognised over the picture (PDF 1.7, table 106)."""


def _page(reader: Any, number: int, limits: Limits) -> tuple[str, bool, bool, bool]:
    """The text of a page; whether there is a picture on it, whether its text is invisible, whether it is broken."""
    try:
        page = reader.pages[number]
        contents = page.get_contents()
        drawn = contents.get_data() if contents is not None else b""
        if len(drawn) > limits.unpacked_bytes // 4:
            raise CannotRead(
                Why.HOSTILE,
                "A page of the PDF file unpacks to far more than a page can show.",
                "Ask the sender what it is; import only what comes from somebody you know.",
            )
        text = page.extract_text()
    except (CannotRead, MemoryError, RecursionError):
        raise
    except Exception:  # pypdf raises whatever the broken object makes Python raise
        return "", False, False, True
    return text + _filled_in(page, text), _has_picture(page), _INVISIBLE.search(drawn) is not None, False


def _has_picture(page: Any) -> bool:
    try:
        resources = page.get("/Resources")
        found = resources.get_object().get("/XObject") if resources is not None else None
        return found is not None and any(
            one.get_object().get("/Subtype") in ("/Image", "/Form") for one in found.get_object().values()
        )
    except Exception:  # as above; without a picture the page is only what its text says
        return False


def _filled_in(page: Any, text: str) -> str:
    """What the form fields of a page hold, where the page does not show it itself."""
    lines = []
    try:
        for reference in page.get("/Annots") or ():
            field = reference.get_object()
            if field.get("/Subtype") != "/Widget":
                continue
            kept = field if "/V" in field else (field.get("/Parent") or field).get_object()
            value, name = kept.get("/V"), kept.get("/T")
            if isinstance(value, str) and value.strip(" /") and value.strip() not in text and value != "/Off":
                lines.append(f"{name}: {value.lstrip('/')}" if isinstance(name, str) else value.lstrip("/"))
    except Exception:  # a broken field is only that field
        pass
    return "\n" + "\n".join(lines) if lines else ""


def _is_garbled(text: str) -> bool:
    """A font that does not say which letters its shapes are gives signs that are none."""
    seen = [sign for sign in text if not sign.isspace()]
    if len(seen) < 20:
        return False
    odd = sum(
        1 for sign in seen if sign == "\ufffd" or "\ue000" <= sign <= "\uf8ff" or sign < " " or "\x7f" <= sign < "\xa0"
    )
    named = sum(len(found) for found in re.findall(r"\(cid:\d+\)|/g\d+|/G[0-9A-F]{2}", text))
    return (odd + named) * 5 > len(seen)


def _recognised(reader: Any, original: bytes, pages: list[int], limits: Limits) -> ocr.Recognised:
    """The pages that are pictures, recognised; with those that could not be, and why."""
    found = ocr.Recognised()
    if len(pages) > limits.scanned_pages:
        found.fail(
            CannotRead(
                Why.TOO_LARGE,
                f"{len(pages)} pages are pictures; the limit is {limits.scanned_pages}.",
                "Split the file by report, and import the pieces.",
            ),
            pages,
        )
        return found
    if not ocr.is_here():
        found.fail(ocr.missing(), pages)
        return found
    until = time.monotonic() + limits.ocr_seconds
    for nth, number in enumerate(pages):
        if time.monotonic() > until:
            found.fail(ocr.too_long(limits.ocr_seconds), pages[nth:])
            break
        still_working(limits)
        try:
            image = ocr.page_drawn(original, number, limits)
            for picture in [image] if image is not None else _images_of(reader, number):
                found.add(number, ocr.recognised(picture, limits))
        except CannotRead as why:
            found.fail(why, [number])
    return found


def _images_of(reader: Any, number: int) -> list[bytes]:
    """The pictures on a page, as files of their own; a scan is one picture, or several strips from top to bottom."""
    try:
        return [image.data for image in reader.pages[number].images]
    except (MemoryError, RecursionError):
        raise
    except Exception:  # a picture in a form that pypdf cannot unpack
        return []


def _attachments(reader: Any) -> bool:
    try:
        return bool(reader.attachments)
    except Exception:
        return False


def _stamp(reader: Any) -> PartialDate | None:
    """When the file says that it was made."""
    try:
        made = str(reader.metadata.get("/CreationDate") or "")
    except Exception:
        return None
    found = re.match(r"D:(\d{4})(\d\d)(\d\d)", made)
    try:
        return PartialDate("-".join(found.groups())) if found else None
    except ValueError:
        return None


def _pages(numbers: list[int]) -> str:
    said = ", ".join(str(number + 1) for number in numbers[:12]) + (" …" if len(numbers) > 12 else "")
    return f"Page {said}" if len(numbers) == 1 else f"Pages {said}"


def _protected() -> CannotRead:
    return CannotRead(
        Why.ENCRYPTED,
        "The PDF file is protected with a password.",
        "Open it with the password, print it to PDF without one, and import that.",
    )
