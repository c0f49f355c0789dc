"""Keeping a ledger: load, dump, restore, seal, verify, rebuild, back up."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import ByOption, JsonOption, LedgerOption, opened, person_of, signature_of, where_of

if TYPE_CHECKING:
    from ledger.store import Ledger
    from ledger.store.load import Loaded

entries = a_group(
    {
        "load": Later("cli.keep:load", "Record new facts from a file of JSON lines."),
        "sessions": Later("cli.session_lists:sessions", "Record sessions in bulk from a list as CSV."),
        "dump": Later("cli.keep:dump", "Write the whole ledger to a file of JSON lines."),
        "restore": Later("cli.keep:restore_dump", "Bring a dump back into an empty ledger."),
    },
    help="Entries as files: load new facts, dump everything, restore a dump.",
)

PARTLY, NOT_TRUSTED = 3, 5

ToOption = Annotated[Path, typer.Option("--to", metavar="FILE", help="The file to write. It must not be there yet.")]


def load(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="JSON lines, one fact a line; - reads standard input.")],
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record new facts from a file of JSON lines. Loading again adds nothing.

    A bad line is named with its number and reason, and does not stop the rest. The form of a line stands in the
    project's ledger/README.md, with an example of every kind.
    """
    from ledger.store.load import load as load_lines

    with opened(ledger) as found, say.progress("lines") as progress:
        signature = signature_of(found, by)
        done = load_lines(found, _lines(file), by=signature, progress=progress, reports=_Reports(found))
    if as_json:
        say.as_json(
            {
                "lines": done.lines,
                "added": done.added,
                "already": done.already,
                "doubts": done.doubts,
                "refused": [vars(one) for one in done.refused],
            }
        )
    else:
        _tell_loaded(done)
    if done.refused:
        raise typer.Exit(PARTLY if done.added or done.already else 1)


def _tell_loaded(done: Loaded) -> None:
    said = [f"{say.counted(done.added, 'entry', 'entries')} added"]
    if done.already:
        said.append(f"{done.already} there already")
    if done.doubts:
        said.append(f"{done.doubts} of what was added odd and in view")
    say.out(f"{say.counted(done.lines, 'line')}: {', '.join(said)}, {len(done.refused)} not taken.")
    for one in done.refused:
        because = f" (because line {one.because_of_line} was not taken)" if one.because_of_line else ""
        say.paragraph(f"line {one.line}: {one.problem}{because} {one.remedy}", "  ", "    ")


def _lines(file: Path) -> Iterator[bytes]:
    if str(file) == "-":
        yield from sys.stdin.buffer
        return
    with _read(file) as lines:
        yield from lines


def _read(file: Path) -> Any:
    from ledger.errors import WrongInput

    try:
        return file.open("rb")
    except OSError as failed:
        raise WrongInput(
            f"The file cannot be read ({failed.strerror or 'unknown reason'}).", "Check its name, and who may read it."
        ) from None


class _Reports(Mapping[str, tuple[str, str, str]]):
    """Reports by file name, for lines that quote them; read when the first line does."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._ids: dict[str, tuple[str, str]] | None = None

    def _known(self) -> dict[str, tuple[str, str]]:
        if self._ids is None:
            self._ids = {
                report.file_name: (report.id, report.text_id)
                for report in self._ledger.papers.reports()
                if report.file_name is not None and report.text_id is not None
            }
        return self._ids

    def __getitem__(self, name: str) -> tuple[str, str, str]:
        report, text_id = self._known()[name]
        text = self._ledger.papers.text(text_id)
        if text is None:
            raise KeyError(name)
        return report, text_id, text

    def __contains__(self, name: object) -> bool:
        return name in self._known()

    def __iter__(self) -> Iterator[str]:
        return iter(self._known())

    def __len__(self) -> int:
        return len(self._known())


def dump(
    to: ToOption,
    without_words: Annotated[
        bool, typer.Option("--without-words", help="Leave out names, numbers and texts; the chain still verifies.")
    ] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the whole ledger to a file of JSON lines, private to you: entries, people and patients, texts."""
    from ledger.store.dump import dump as dump_all
    from ledger.store.upkeep import note

    with opened(ledger) as found:
        person = person_of(found, by)
        with say.progress("lines") as progress:
            done = dump_all(found, to, words=not without_words, progress=progress)
        note(found, "entries dump", person=person, about="without-words" if without_words else None)
    if as_json:
        say.as_json({"to": str(to), "counts": done.counts, "words": not without_words})
    else:
        many = {"entry": "entries", "person": "people", "identity": "identities"}
        named = ", ".join(
            say.counted(count, what, many.get(what))
            for what, count in done.counts.items()
            if what != "access-ledger-dump"
        )
        say.out(f"Dumped to {to}: {named or 'an empty ledger'}.")
        if not without_words:
            say.out("It holds names and reports: keep it as you keep the ledger.")


def restore_dump(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that `access-ledger entries dump` wrote.")],
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Bring a dump back into an empty ledger, whole or not at all; times, persons and hashes stay, and are verified.

    Where there is no ledger yet, one is made.
    """
    from ledger.store import open_ledger
    from ledger.store.dump import restore

    where = where_of(ledger)
    makes = not _is_there(where)
    lines = _lines(file)
    first = next(lines, b"")
    try:
        with open_ledger(where, create=True) as found, say.progress("lines") as progress:
            done = restore(found, _again(first, lines), progress=progress)
    except BaseException:
        if makes:
            for ending in ("", "-wal", "-shm"):
                Path(f"{where}{ending}").unlink(missing_ok=True)
        raise
    if as_json:
        say.as_json({"ledger": str(where), **vars(done)})
    else:
        say.out(
            f"Restored to {where}: {say.counted(done.entries, 'entry', 'entries')} of "
            f"{say.counted(done.patients, 'patient')}, verified."
        )


def _again(first: bytes, lines: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from lines


def _is_there(where: str | Path) -> bool:
    from ledger.store.database import is_url

    return is_url(str(where)) or Path(where).expanduser().exists()


def seal(to: ToOption, by: ByOption = None, ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """Write each stream's version and head to a file. Whoever keeps it can later show what was altered or cut off."""
    from ledger.store.trust import seal as seal_all

    with opened(ledger) as found:
        count = seal_all(found, to, person=person_of(found, by))
    if as_json:
        say.as_json({"to": str(to), "streams": count})
    else:
        say.out(f"Sealed {say.counted(count, 'stream')} in {to}.")
        say.out("Give it to somebody who cannot write to this ledger; a seal beside the ledger proves nothing.")


def verify(
    seal_file: Annotated[
        Path | None,
        typer.Option("--seal", metavar="FILE", help="A seal that was kept: also finds what was cut off or is gone."),
    ] = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Walk every entry and say what is not as it was written. Nothing is changed. Exit code 5: not trusted."""
    from ledger.store.trust import verify as verify_all

    with opened(ledger) as found, say.progress("entries") as progress:
        done = verify_all(found, seal_file=seal_file, progress=progress)
    if as_json:
        say.as_json(
            {
                "trusted": done.is_trusted,
                "streams": done.streams,
                "entries": done.entries,
                "texts_erased": done.erased,
                "wrong": [vars(one) for one in done.wrong],
            }
        )
    else:
        looked_at = f"{say.counted(done.entries, 'entry', 'entries')} in {say.counted(done.streams, 'stream')}"
        erased = f" The words of {say.counted(done.erased, 'text')} were erased by law." if done.erased else ""
        if done.is_trusted:
            against = "" if seal_file is None else ", and agree with the seal"
            say.out(f"{looked_at} are as they were written{against}.{erased}")
        else:
            say.out(f"NOT TRUSTED: {looked_at}, of which {len(done.wrong)} not as written.{erased}")
            for one in done.wrong:
                say.paragraph(one.words, "  ", "    ")
            say.out("Keep this ledger as it is for whoever looks into it, and restore a backup to go on with.")
    if not done.is_trusted:
        raise typer.Exit(NOT_TRUSTED)


def rebuild(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """Make the columns kept for lists anew from the entries, equal to the byte."""
    from ledger.store.upkeep import rebuild as rebuild_all

    with opened(ledger) as found, say.progress("entries") as progress:
        done = rebuild_all(found, progress=progress)
    if as_json:
        say.as_json(vars(done))
    else:
        say.out(
            f"Rebuilt {say.counted(done.accesses, 'access', 'accesses')} of {say.counted(done.patients, 'patient')} "
            f"from {say.counted(done.entries, 'entry', 'entries')}."
        )


def backup(to: ToOption, ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """Copy the ledger to a new file, private to you, while it is in use."""
    from ledger.store.upkeep import backup as back_up

    with opened(ledger) as found:
        back_up(found, to)
    if as_json:
        say.as_json({"to": str(to), "bytes": to.stat().st_size})
    else:
        say.out(f"Backed up to {to}. Try it now and then: `access-ledger restore {to} --ledger NEW-FILE`.")


def restore(
    backup_file: Annotated[Path, typer.Argument(metavar="FROM", help="A file that `access-ledger backup` wrote.")],
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy a backup to a new place and verify it there. The place must be free: --ledger says where."""
    from ledger.errors import WrongInput
    from ledger.store.database import is_url
    from ledger.store.upkeep import restore_backup

    where = where_of(ledger)
    if is_url(str(where)):
        raise WrongInput(
            "A backup is a SQLite file and is restored to a file.",
            "For PostgreSQL use its own tools, or `access-ledger entries restore`.",
        )
    to = Path(where).expanduser()
    restore_backup(backup_file, to)
    if as_json:
        say.as_json({"ledger": str(to), "verified": True})
    else:
        say.out(f"Restored to {to}, and verified.")
