"""Which pages there are: the table from which routes, the menu and the tests are made."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right

MODULES = (
    "cli.pages.entering",
    "cli.pages.accounts",
    "cli.pages.finding",
    "cli.pages.chairside",
    "cli.pages.life",
    "cli.pages.reports",
    "cli.pages.writing",
    "cli.pages.unit",
    "cli.pages.following",
    "cli.pages.numbers",
)
"""The modules that hold pages. Each ends with a table `PAGES`."""


@dataclass(frozen=True)
class Page:
    """One path and what answers it. `menu` is its name in the menu, where it stands there.

    In a path `{patient}`, `{access}`, `{report}` and `{entry}` (such as P0007.12) are what they say, and the tests fill
    them from the demonstration. A page with anything else in its path, or that shows different things by its query,
    names in `examples` what the tests are to open: `("/numbers/patency?unit=all", "/patient/{patient}?as_of=2025")`.
    """

    path: str
    answer: Callable[[Asked], Response]
    right: Right
    methods: tuple[str, ...] = ("GET",)
    menu: str = ""
    examples: tuple[str, ...] = ()
    largest: int = 2_000_000
    """Bytes of a form that is sent here, files and all."""
    before_change: bool = False
    """Whoever has a password that somebody else gave them may open this before they choose their own."""
    without_form_token: bool = False
    """Only for what cannot have one: the first form before anybody is signed in has a token of its own kind."""

    @property
    def name(self) -> str:
        """How tests and the record of slow pages call it."""
        return f"{self.answer.__module__.rsplit('.', 1)[-1]}.{self.answer.__name__}"


def pages() -> Iterator[Page]:
    """Every page, in the order of the modules."""
    for module in MODULES:
        yield from import_module(module).PAGES


MENU_ORDER = ("Find", "Unit today", "Reports", "Write down", "Numbers", "Accounts")
"""The menu, as far as there are pages for it and whoever asks may open them."""
