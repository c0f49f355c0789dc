"""The desk on which files are opened: plain text right here, everything else in a process that can be killed."""

from __future__ import annotations

from ledger.arrival.forms import form_of
from ledger.arrival.opening import opened
from ledger.arrival.sandbox import Order, Worker
from ledger.arrival.values import LIMITS, Arrived, CannotRead, Form, Limits, Why


class Desk:
    """Opens file after file with one worker process, which is started when it is first needed.

    Use it as a context manager, one in each process of an import: `with Desk() as desk: desk.arrive(bytes)`.
    `columns` is a column mapping as JSON (`sheets.ColumnMapping.to_json`), for spreadsheets.
    """

    def __init__(self, *, columns: bytes | None = None, limits: Limits = LIMITS) -> None:
        self._columns = columns
        self._limits = limits
        self._worker = Worker(limits.memory_bytes)

    def arrive(self, original: bytes, file_name: str | None = None, media_type: str | None = None) -> Arrived:
        """The reports that a file holds, and what of it could not be read. Never raises for what is in the file."""
        form = Form.UNKNOWN
        try:
            if len(original) > self._limits.file_bytes:
                raise CannotRead(
                    Why.TOO_LARGE,
                    f"The file has {len(original)} bytes; the limit is {self._limits.file_bytes}.",
                    "Split it, or import the reports one by one.",
                )
            form, found_type = form_of(original, file_name, media_type)
            order = Order(
                form=form,
                media_type=found_type,
                file_name=file_name,
                declared=media_type,
                columns=self._columns,
                limits=self._limits,
            )
            if form is Form.PLAIN:
                return opened(original, order)
            return self._worker.open(original, order)
        except CannotRead as why:
            return Arrived(form=form, unreadable=(why.as_unreadable(),))

    def close(self) -> None:
        """Ends the worker process."""
        self._worker.close()

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def arrive(
    original: bytes,
    file_name: str | None = None,
    media_type: str | None = None,
    *,
    columns: bytes | None = None,
    limits: Limits = LIMITS,
) -> Arrived:
    """The reports that one file holds, and what of it could not be read. For many files, keep a `Desk`."""
    with Desk(columns=columns, limits=limits) as desk:
        return desk.arrive(original, file_name, media_type)
