"""Pages on the way in and out."""

from __future__ import annotations

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page


def enter(asked: Asked) -> Response:
    """Signs in with a one-time link."""
    from cli.pages.doors import COOKIE

    doors = asked.request.app.state.doors
    cookie = doors.enter_once(asked.query("once")) if asked.query("once") else None
    if cookie is None:
        return asked.page("enter.html", status=401 if asked.query("once") else 200)
    answer = asked.to("/")
    secure = asked.request.url.scheme == "https"
    answer.set_cookie(COOKIE, cookie, httponly=True, samesite="strict", secure=secure)
    return answer


def leave(asked: Asked) -> Response:
    """Signs out."""
    from cli.pages.doors import COOKIE

    asked.request.app.state.doors.end(asked.request.cookies.get(COOKIE, ""))
    answer = asked.to("/enter")
    answer.delete_cookie(COOKIE)
    return answer


PAGES = (
    Page("/enter", enter, Right.ANYBODY),
    Page("/leave", leave, Right.SIGNED_IN, methods=("POST",)),
)
