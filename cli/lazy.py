"""Groups of commands that load a command's module only when it is run.

Registering every command costs more time than most of them need to do their work, and
the top-level help needs only their names and one sentence each. So a group holds a
table of `Later`s; help is printed from the table.

To add a command, add its line to the table of its group.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup

WIDTH = 100


@dataclass(frozen=True)
class Later:
    """A command or a group of commands, by where it stands, with its sentence in the help and the heading above it.

    `where` is `module:name`; the name is that of a function or of a `typer.Typer`.
    """

    where: str
    help: str
    heading: str = "Commands"
    hidden: bool = False


class LazyGroup(TyperGroup):
    """A group whose commands come from the table `later`."""

    later: Mapping[str, Later] = {}

    def list_commands(self, ctx: Any) -> list[str]:
        return list(self.later)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        found = self.later.get(cmd_name)
        return None if found is None else loaded(cmd_name, found)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The commands under their headings; nothing is loaded for it."""
        headings: dict[str, list[tuple[str, str]]] = {}
        for name, one in self.later.items():
            if not one.hidden:
                headings.setdefault(one.heading, []).append((name, one.help))
        widest = max((len(name) for rows in headings.values() for name, _ in rows), default=0)
        for heading, rows in headings.items():
            with formatter.section(heading):
                formatter.write_dl([(name.ljust(widest), words) for name, words in rows])


def a_group(table: Mapping[str, Later], help: str, epilog: str | None = None, **settings: Any) -> typer.Typer:
    """A Typer whose commands are those of the table."""
    cls = type("Group", (LazyGroup,), {"later": table})
    app = typer.Typer(
        cls=cls,
        help=help,
        epilog=epilog,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        add_completion=False,
        no_args_is_help=True,
        context_settings={"max_content_width": WIDTH, "help_option_names": ["-h", "--help"]},
        **settings,
    )

    if "callback" not in settings:

        @app.callback()
        def group() -> None:
            """Typer takes an application without a callback for a single command."""

    return app


def loaded(name: str, one: Later) -> Any:
    """The command that a line of a table stands for."""
    module, _, attribute = one.where.partition(":")
    target = getattr(import_module(module), attribute)
    if not isinstance(target, typer.Typer):
        single = typer.Typer(rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)
        single.command(name, context_settings={"max_content_width": WIDTH, "help_option_names": ["-h", "--help"]})(
            target
        )
        target = single
    command = typer.main.get_command(target)
    command.name = name
    return command
