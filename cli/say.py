"""How commands say things: plain text that is as good in a file as on a terminal, and JSON for scripts.

Nothing is told by colour alone: on a terminal headings are bold, and that is all. What comes from outside (names,
file names, words of reports) goes through `shown`, since a control character in it could rewrite the screen.
"""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NoReturn

import typer

WIDTH = 100


def is_terminal() -> bool:
    """Whether a person sits in front of this: both what is asked and what is answered go through a terminal."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def width() -> int:
    """How wide lines may be: a hundred columns, or the terminal if it is narrower."""
    if not sys.stdout.isatty():
        return WIDTH
    return max(40, min(WIDTH, os.get_terminal_size(sys.stdout.fileno()).columns))


def out(text: str = "") -> None:
    """One line, or several, to standard output."""
    try:
        sys.stdout.write(text + "\n")
    except BrokenPipeError:
        nobody_listens()


def nobody_listens() -> NoReturn:
    """Ends quietly: whoever read our output (a pager, `head`) had enough."""
    # What Python flushes at exit must not raise once more.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    raise typer.Exit(0)


def aside(text: str) -> None:
    """To standard error: what a person wants to know and a script must not get in between."""
    sys.stderr.write(text + "\n")


def as_json(value: dict[str, Any]) -> None:
    """The answer for a script: one JSON object with `format` first."""
    out(json_text({"format": 1, **value}))


def json_text(value: Any, *, one_line: bool = False) -> str:
    import orjson

    return orjson.dumps(value, option=0 if one_line else orjson.OPT_INDENT_2).decode("utf-8")


def shown(value: object) -> str:
    """Text from outside, on one line and without control characters."""
    text = "" if value is None else str(value)
    return text if text.isprintable() else "".join(_harmless(sign) for sign in text)


def shown_lines(text: str) -> str:
    """The same for text of several lines: line ends and tabs stay."""
    return "".join(sign if sign in "\n\t" else _harmless(sign) for sign in text)


def _harmless(sign: str) -> str:
    return " " if sign in "\n\t\r\f" else sign if sign.isprintable() or sign == "\u00a0" else "\ufffd"


def bold(text: str) -> str:
    return f"\x1b[1m{text}\x1b[0m" if _styled() else text


def underlined(text: str) -> str:
    return f"\x1b[4m{text}\x1b[0m" if _styled() else text


def _styled() -> bool:
    # https://no-color.org: any value that is not empty. Bold is no colour, but a person who sets it wants plain text.
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def heading(text: str) -> None:
    out(bold(text))


def paragraph(text: str, indent: str = "", hanging: str | None = None) -> None:
    """Text wrapped at the width of the terminal."""
    for line in wrapped(text, indent, hanging):
        out(line)


def wrapped(text: str, indent: str = "", hanging: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        width(),
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_on_hyphens=False,
        break_long_words=False,
    ) or [indent.rstrip()]


def fields(pairs: Iterable[tuple[str, object]]) -> None:
    """Names and values, a line each; what is None is left out."""
    there = [(name, shown(value)) for name, value in pairs if value is not None]
    widest = max((len(name) for name, _ in there), default=0)
    for name, value in there:
        paragraph(value, f"  {name.ljust(widest)}  ", " " * (widest + 4))


def table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Columns under headings. The last column takes what is left of the line and wraps; numbers stand right."""
    cells = [[shown(value) for value in row] for row in rows]
    sizes = [
        max(len(name), *(len(row[nth]) for row in cells)) if cells else len(name) for nth, name in enumerate(headings)
    ]
    numbers = [all(isinstance(row[nth], int) or row[nth] is None for row in rows) for nth in range(len(headings))]
    room = max(20, width() - sum(sizes[:-1]) - 2 * (len(sizes) - 1))
    heads = [
        name.rjust(size) if right else name.ljust(size)
        for name, size, right in zip(headings, sizes, numbers, strict=True)
    ]
    out(bold("  ".join(heads).rstrip()))
    before = " " * (sum(sizes[:-1]) + 2 * (len(sizes) - 1))
    for row in cells:
        first = [
            cell.rjust(size) if right else cell.ljust(size)
            for cell, size, right in zip(row[:-1], sizes[:-1], numbers[:-1], strict=True)
        ]
        last = row[-1].rjust(sizes[-1]) if numbers[-1] else row[-1]
        lines = textwrap.wrap(last, room, break_on_hyphens=False) or [""]
        out("  ".join([*first, lines[0]]).rstrip())
        for line in lines[1:]:
            out(before + line)


def counted(number: int, one: str, many: str | None = None) -> str:
    """`1 report`, `2 reports`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


@contextmanager
def progress(what: str, total: int | None = None) -> Iterator[Callable[[int], None] | None]:
    """How far a long thing has come, on a terminal; gives None elsewhere. Call it with the number done so far."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = [BarColumn(), MofNCompleteColumn()] if total is not None else [TextColumn("{task.completed:,}")]
    console = Console(stderr=True)
    with Progress(*columns, TextColumn(what), TimeElapsedColumn(), console=console, transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


def next_steps(*commands: tuple[str, str]) -> None:
    """What one would type next, and why."""
    out()
    out("Next:")
    fits = [len(command) for command, why in commands if len(command) + len(why) + 4 <= width()]
    widest = max(fits, default=0)
    for command, why in commands:
        if len(command) > widest or len(why) + widest + 4 > width():
            paragraph(f"# {why}", "  ", "  # ")
            out(f"  {command}")
        else:
            out(f"  {command.ljust(widest)}  # {why}")
