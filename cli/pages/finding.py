"""Find: by name, number or birth date."""

from __future__ import annotations

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page


def home(asked: Asked) -> Response:
    """Where a nurse begins."""
    return asked.page("find.html", wanted=asked.query("q"), found=[])


PAGES = (Page("/", home, Right.SIGNED_IN, menu="Find"),)
