"""`report import`: files and folders into kept reports, quickly, and so that nothing reported as kept is lost.

Files are opened and read in several processes when there are many; one process keeps them, a few files in a
transaction, and counts a report as kept only after that. Killed and run again, it goes on where it was: what is there
is not opened again.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.options import ByOption, JsonOption, LedgerOption, opened, person_of, the_patient
from cli.report import DayOption, date_of, shortened
from ledger.errors import WrongInput

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ledger.arrival import Desk
    from ledger.dates import PartialDate
    from ledger.matching import Register
    from ledger.receiving import OpenedUp, Received
    from ledger.store import Ledger

BATCH = 16
"""How many files are kept in one transaction: a commit takes longer than keeping a report."""

MANY = 40
"""From so many files on, starting more processes costs less than it saves."""


@dataclass
class Done:
    """What an import did, file by file."""

    files: int = 0
    received: list[tuple[Path, Received]] = field(default_factory=list)
    not_read: list[tuple[Path, str, str, str]] = field(default_factory=list)


def import_reports(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH…", help="Files, and folders with all that is in them.")],
    patient: Annotated[
        str | None,
        typer.Option(
            "--patient", metavar="PATIENT", help="Whose reports these are; else each says so.", show_default=False
        ),
    ] = None,
    day: DayOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep reports, read them, and link them to their patients. Nothing is recorded until somebody confirms it.

    What cannot be read is listed with the reason, and does not stop the rest. Importing again adds nothing.
    """
    from ledger.matching import Register
    from ledger.receiving import kept_mappings, receive
    from ledger.store.upkeep import note

    when = date_of(day)
    files = files_in(paths)
    files_order = {file: nth for nth, file in enumerate(files)}
    done = Done(files=len(files))
    with opened(ledger) as found:
        person = person_of(found, by)
        one = the_patient(found, patient).id if patient else None
        register = Register(found.who.patients())
        with say.progress("files", total=len(files)) as progress:
            seen = _kept_before(found, files, register, one, person, done)
            if progress is not None:
                progress(len(seen))
            results = _opened([file for file in files if file not in seen], when, kept_mappings(found))
            told = len(seen)
            while batch := list(islice(results, BATCH)):
                received: list[tuple[Path, Received]] = []
                with found.db.writing():
                    for file, result in batch:
                        if isinstance(result, str):
                            done.not_read.append((file, "not-opened", result, _remedy(file)))
                        else:
                            kept = receive(found, result, register, patient=one, person=person)
                            received.extend((file, each) for each in kept)
                # Only what is on the disk counts as kept.
                done.received += received
                told += len(batch)
                if progress is not None:
                    progress(told)
            done.received.sort(key=lambda each: (files_order[each[0]], each[1].part))
        if done.files:
            note(found, "report import", person=person, patient=one, about=f"{done.files} files")
    if as_json:
        say.as_json(_summary(done))
    else:
        _tell(done, one)
    failed = bool(done.not_read) or any(one.outcome == "unreadable" for _, one in done.received)
    if failed:
        kept_any = any(one.outcome != "unreadable" for _, one in done.received)
        raise typer.Exit(3 if kept_any else 1)


def _remedy(file: Path) -> str:
    """What to do about a file whose bytes could not be had."""
    from ledger.arrival import LIMITS

    try:
        if file.stat().st_size > LIMITS.file_bytes:
            return "No report is that large: look what it is, and if it holds many, import them one by one."
    except OSError:
        pass
    return "Check the file, and import it again."


def _kept_before(
    ledger: Ledger, files: list[Path], register: Register, patient: str | None, person: str, done: Done
) -> set[Path]:
    """The files that were imported before, whole. They are not opened again."""
    from ledger.arrival import LIMITS
    from ledger.receiving import received_before

    seen = set()
    for file in files:
        try:
            original = file.read_bytes() if file.stat().st_size <= LIMITS.file_bytes and file.is_file() else None
        except OSError:
            continue
        if original is None:
            continue
        before = received_before(ledger, original, register, patient=patient, person=person)
        if before is not None:
            seen.add(file)
            done.received.extend((file, one) for one in before)
    return seen


def files_in(paths: list[Path]) -> list[Path]:
    """The files, and those in the folders at any depth, in order. Hidden ones are left out. Raises WrongInput."""
    found: dict[Path, None] = {}
    for path in paths:
        if path.is_dir():
            found.update(dict.fromkeys(sorted(_inside(path))))
        elif path.exists():
            found[path] = None
        else:
            which = "The path that was named is not there." if len(paths) == 1 else "One of the paths is not there."
            raise WrongInput(which, "Check its spelling; nothing was imported.")
    return list(found)


def _inside(folder: Path) -> Iterator[Path]:
    for where, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        yield from (Path(where, name) for name in names if not name.startswith("."))


# --- Opening, in one process or several ---------------------------------------------------------------------------


def _opened(
    files: list[Path], when: PartialDate | None, mappings: list[bytes]
) -> Iterator[tuple[Path, OpenedUp | str]]:
    """Each file with what it held, in order; a sentence where not even its bytes could be had."""
    from ledger.arrival import Desk

    workers = min(os.cpu_count() or 1, 8)
    if len(files) < MANY or workers < 2:
        with Desk() as desk:
            for file in files:
                yield file, _open(file, when, mappings, desk)
        return
    yield from _opened_by_several(files, when, mappings, workers)


def _opened_by_several(
    files: list[Path], when: PartialDate | None, mappings: list[bytes], workers: int
) -> Iterator[tuple[Path, OpenedUp | str]]:
    from collections import deque
    from concurrent.futures import Future
    from concurrent.futures.process import BrokenProcessPool

    waiting: deque[tuple[Path, Future[OpenedUp | str]]] = deque()
    left = deque(files)
    while left or waiting:
        with _several(workers) as pool:
            try:
                while left or waiting:
                    # A bounded number under way: the bytes of a thousand files need not be in memory at once.
                    while left and len(waiting) < 4 * workers:
                        waiting.append((left[0], pool.submit(_open_in_worker, left[0], when, mappings)))
                        left.popleft()
                    file, future = waiting[0]
                    result = future.result()
                    waiting.popleft()
                    yield file, result
            except BrokenProcessPool:
                # Something brought a process down. Each of those under way is tried alone, so that it shows which.
                under_way = [file for file, _ in waiting]
                waiting.clear()
                yield from ((file, _alone(file, when, mappings)) for file in under_way)


def _alone(file: Path, when: PartialDate | None, mappings: list[bytes]) -> OpenedUp | str:
    from concurrent.futures.process import BrokenProcessPool

    with _several(1) as pool:
        try:
            return pool.submit(_open_in_worker, file, when, mappings).result()
        except BrokenProcessPool:
            return "Opening this file brings down the process that tries."


@contextmanager
def _several(workers: int) -> Iterator[Executor]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin_worker) as pool:
        yield pool


_desk: Desk | None = None


def _begin_worker() -> None:
    """What a worker process needs: a desk for its files, and to end when the import is gone."""
    import atexit
    import signal
    from multiprocessing import parent_process
    from threading import Thread

    from ledger.arrival import Desk

    global _desk
    _desk = Desk()
    atexit.register(_desk.close)
    # Ctrl-C reaches the whole group; the import decides, the workers go on until it does.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: Any) -> None:
    """An import that was killed leaves no process behind."""
    from multiprocessing.connection import wait

    wait([sentinel])
    if _desk is not None:
        _desk.close()
    os._exit(1)


def _open_in_worker(file: Path, when: PartialDate | None, mappings: list[bytes]) -> OpenedUp | str:
    assert _desk is not None, "a worker begins with its desk"
    return _open(file, when, mappings, _desk)


def _open(file: Path, when: PartialDate | None, mappings: list[bytes], desk: Desk) -> OpenedUp | str:
    from ledger.arrival import LIMITS
    from ledger.receiving import opened_up

    try:
        size = file.stat().st_size
        if size > LIMITS.file_bytes:
            return f"The file has {size} bytes, more than the {LIMITS.file_bytes} that are read; it stays where it is."
        if not file.is_file():
            return "This is no file."
        return opened_up(file.read_bytes(), file.name, day=when, desk=desk, mappings=mappings)
    except OSError as failed:
        return f"The file cannot be read: {failed.strerror or 'unknown reason'}."
    except Exception as unexpected:
        from cli.main import DEBUG, reference_of

        if os.environ.get(DEBUG):
            raise
        # A mistake of ours must not cost the other files of the folder; it is told with its reference.
        return f"Something inside access-ledger failed on this file ({reference_of(unexpected)}); report that."


# --- Saying what was done -----------------------------------------------------------------------------------------


def _summary(done: Done) -> dict[str, Any]:
    return {
        "files": done.files,
        "outcomes": dict(sorted(_outcomes(done).items())),
        "waits_for": {
            "patient": sum(_waits_for_patient(one) for _, one in done.received),
            "confirming": sum(_waits_for_person(one) for _, one in done.received),
        },
        "reports": [
            {
                "file": str(file),
                "part": one.part,
                "outcome": one.outcome,
                "report": one.report,
                "patient": one.patient,
                "proposed": one.proposed,
                "plain": one.plain,
                "no_patient_because": one.waiting,
                "candidates": list(one.candidates),
                "doubts": [{"code": doubt.code, "words": doubt.words} for doubt in one.doubts],
            }
            for file, one in done.received
            if one.outcome != "unreadable"
        ],
        "not_read": [
            {"file": str(file), "part": part, "report": report, "code": code, "problem": problem, "remedy": remedy}
            for file, part, report, code, problem, remedy in _not_read(done)
        ],
    }


def _outcomes(done: Done) -> Counter[str]:
    found = Counter(one.outcome for _, one in done.received)
    if done.not_read:
        found["unreadable"] += len(done.not_read)
    return found


def _not_read(done: Done) -> list[tuple[Path, int | None, str | None, str, str, str]]:
    found: list[tuple[Path, int | None, str | None, str, str, str]] = [
        (file, one.part or None, one.report, one.code or "", one.problem or "", one.remedy or "")
        for file, one in done.received
        if one.outcome == "unreadable"
    ]
    found += [(file, None, None, code, problem, remedy) for file, code, problem, remedy in done.not_read]
    return sorted(found, key=lambda one: (one[0], one[1] or 0))


def _waits_for_patient(one: Received) -> bool:
    return one.outcome not in ("unreadable", "dismissed") and one.patient is None


def _waits_for_person(one: Received) -> bool:
    return one.outcome in ("stored", "linked") and one.patient is not None


_SHOWN = 30
"""How many reports without a patient are listed; a thousand lines would hide what could not be read."""

_SAID = {
    "stored": "kept",
    "linked": "kept before, now with their patient",
    "already": "there already",
    "dismissed": "set aside before",
    "unreadable": "not read",
}


def _tell(done: Done, patient: str | None) -> None:
    if not done.files:
        say.out("There is no file there.")
        return
    counts = _outcomes(done)
    said = ", ".join(f"{counts[outcome]} {words}" for outcome, words in _SAID.items() if counts[outcome])
    say.out(f"{say.counted(done.files, 'file')}: {said}.")
    by_patient: dict[str, list[Received]] = {}
    for _, one in done.received:
        if _waits_for_person(one):
            assert one.patient is not None
            by_patient.setdefault(one.patient, []).append(one)
    if by_patient:
        say.out()
        say.heading("Wait to be confirmed")
        say.table(
            ["Patient", "Reports", "Proposals", "Plain", "Careful"],
            [
                [
                    patient_id,
                    len(theirs),
                    sum(one.proposed for one in theirs),
                    sum(one.plain for one in theirs),
                    "; ".join(dict.fromkeys(doubt.words for one in theirs for doubt in one.doubts)),
                ]
                for patient_id, theirs in sorted(by_patient.items())
            ],
        )
    without = [(file, one) for file, one in done.received if _waits_for_patient(one)]
    if without:
        say.out()
        say.heading("Wait for their patient")
        say.table(
            ["Report", "File", "Why", "Could be"],
            [
                [
                    (one.report or "")[:10],
                    shortened(file.name),
                    (one.waiting or "").replace("-", " "),
                    ", ".join(one.candidates),
                ]
                for file, one in without[:_SHOWN]
            ],
        )
        if len(without) > _SHOWN:
            say.out(f"  and {len(without) - _SHOWN} more; `access-ledger report list` shows them all.")
    bad = _not_read(done)
    if bad:
        say.out()
        say.heading("Could not be read")
        for file, part, report, _, problem, remedy in bad:
            which = f" (report {part} in it)" if part else ""
            kept = " The original is kept." if report else ""
            say.paragraph(f"{say.shown(str(file))}{which}: {problem} {remedy}{kept}", "  ", "    ")
    steps = []
    if by_patient:
        only = f" --patient {patient}" if patient else ""
        steps.append((f"access-ledger report confirm{only}", "go through what waits"))
    if without:
        steps.append(("access-ledger report link REPORT PATIENT", "say whose report it is"))
    if any(code == "column-mapping-missing" for _, _, _, code, _, _ in bad):
        steps.append(("access-ledger report columns SHEET", "say once what the columns of a spreadsheet are for"))
    if steps:
        say.next_steps(*steps)
