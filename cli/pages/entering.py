"""Pages on the way in and out: sign in, with a password or through the hospital; choose another password; sign out."""

from __future__ import annotations

import hmac
import secrets

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.doors import COOKIE, FORM_COOKIE, TooMany, cookie_name, safe_path
from cli.pages.rights import Right
from cli.pages.site import Page
from ledger.errors import LedgerError, NotFound, WrongInput

OPENID_COOKIE = "access_ledger_openid"
WRONG = "There is no such account, or this is not its password."


def enter(asked: Asked) -> Response:
    """The form to sign in with; or, with a one-time link, straight in."""
    once = asked.query("once")
    if not once or asked.request.method != "GET":
        return _form(asked)
    cookie = asked.doors.enter_once(once)
    if cookie is None:
        return _form(
            asked,
            401,
            "This link was used already, is too old, or was never given. Start the server again for a new one.",
        )
    asked.note("signed in", about="one-time link")
    answer = asked.to("/")
    asked.doors.carry(asked.request, answer, cookie)
    return answer


def sign_in(asked: Asked) -> Response:
    """Signs in with the name and the password of the form."""
    from ledger.store.accounts import Accounts

    brought = asked.request.cookies.get(cookie_name(asked.request, FORM_COOKIE), "")
    if not brought or not hmac.compare_digest(brought.encode(), asked.field("form").encode()):
        return _form(asked, 400, "This form was open for too long, or did not come from here. Please try once more.")
    name, password = asked.field("name"), asked.form.get("password")
    if not name or not isinstance(password, str) or not password:
        return _form(asked, 400, "Give your name and your password.")
    doors, accounts = asked.doors, Accounts(asked.ledger)
    known = accounts.typed(name)
    counted = doors.counted(asked.request, name, known, None if known is None else accounts.hash_of(known.person))
    wait = doors.slowing.tries(counted)
    if wait is not None:
        seconds = int(wait.total_seconds()) + 1
        answer = _form(asked, 429, f"Too many wrong passwords. Wait {_words(seconds)}, then try again.")
        answer.headers["retry-after"] = str(seconds)
        return answer
    try:
        with doors.one_of_a_few():
            found = accounts.signs_in(name, password)
    except TooMany as many:
        doors.slowing.was_right(counted)
        return _form(asked, 503, f"{many.problem} {many.remedy}")
    if found is None:
        # What was typed for a name is not kept unless it is one: it may be a password in the wrong field.
        asked.note("sign-in refused", about=None if known is None else known.person)
        return _form(asked, 401, WRONG)
    doors.slowing.was_right(counted)
    answer = asked.to(safe_path(asked.field("then", "/")))
    doors.lets_in(asked.request, answer, found, accounts.hash_of(found.person))
    asked.note("signed in", about=found.person)
    return answer


def leave(asked: Asked) -> Response:
    """Signs out."""
    asked.doors.end(asked.request.cookies.get(cookie_name(asked.request, COOKIE), ""))
    asked.note("signed out")
    answer = asked.to("/enter")
    answer.delete_cookie(
        cookie_name(asked.request, COOKIE),
        httponly=True,
        samesite="lax",
        secure=asked.request.url.scheme == "https",
    )
    return answer


def _form(asked: Asked, status: int = 200, wrong: str = "") -> Response:
    from ledger.store.accounts import Accounts

    token = secrets.token_urlsafe(32)
    answer = asked.page(
        "enter.html",
        status=status,
        wrong=wrong,
        form=token,
        name=asked.field("name"),
        then=safe_path(asked.field("then") or asked.query("then") or "/"),
        openid=asked.doors.openid.settings.label if asked.doors.openid is not None else None,
        anybody=Accounts(asked.ledger).there_are_any(),
    )
    answer.set_cookie(
        cookie_name(asked.request, FORM_COOKIE),
        token,
        httponly=True,
        samesite="strict",
        secure=asked.request.url.scheme == "https",
    )
    return answer


def _words(seconds: int) -> str:
    if seconds < 60:
        return f"{seconds} second" + ("" if seconds == 1 else "s")
    minutes = -(-seconds // 60)
    return f"{minutes} minute" + ("" if minutes == 1 else "s")


# --- One's own password -------------------------------------------------------------------------------------------


def password(asked: Asked) -> Response:
    """The form to choose another password with."""
    return _own(asked)


def change_password(asked: Asked) -> Response:
    """Changes one's own password, ends every other session and goes on in this one."""
    from ledger.store.accounts import Accounts

    accounts = Accounts(asked.ledger, by=asked.who.person)
    stored = accounts.find(asked.who.person)
    old, new, again = (str(asked.form.get(name) or "") for name in ("old", "new", "again"))
    if stored is None or not stored.has_password:
        return _own(asked, 422)
    counted = asked.doors.counted(asked.request, stored.person, None, None)
    wait = asked.doors.slowing.tries(counted)
    if wait is not None:
        return _own(asked, 429, f"Too many wrong passwords. Wait {_words(int(wait.total_seconds()) + 1)}.")
    if accounts.signs_in(stored.person, old) is None:
        asked.note("password refused", about=stored.person)
        return _own(asked, 422, "That is not your present password.")
    asked.doors.slowing.was_right(counted)
    if new != again:
        return _own(asked, 422, "The new password was not typed alike twice.")
    if new == old:
        return _own(asked, 422, "The new password is the old one.")
    try:
        accounts.set_password(stored.person, new, by_themselves=True)
    except WrongInput as weak:
        return _own(asked, 422, f"{weak.problem} {weak.remedy}")
    answer = asked.to("/")
    asked.doors.lets_in(asked.request, answer, accounts.account(stored.person), accounts.hash_of(stored.person))
    return answer


def _own(asked: Asked, status: int = 200, wrong: str = "") -> Response:
    from ledger.store.accounts import Accounts
    from ledger.store.passwords import SHORTEST

    stored = Accounts(asked.ledger).find(asked.who.person)
    return asked.page(
        "password.html", status=status, wrong=wrong, has_one=stored is not None and stored.has_password, least=SHORTEST
    )


# --- The hospital's sign-in ---------------------------------------------------------------------------------------


def to_openid(asked: Asked) -> Response:
    """Sends the browser to the hospital's sign-in."""
    from starlette.responses import RedirectResponse

    if asked.doors.openid is None:
        raise NotFound("There is no such page.", "Sign in with your name and password.")
    try:
        with asked.doors.one_of_a_few():
            address, brought = asked.doors.openid.begin(back=_back(asked), then=safe_path(asked.query("then") or "/"))
    except LedgerError as wrong:
        return _form(asked, 503 if isinstance(wrong, TooMany) else 502, f"{wrong.problem} {wrong.remedy}")
    answer = RedirectResponse(address, status_code=303)
    # It comes back from elsewhere, so it cannot be strict.
    answer.set_cookie(
        cookie_name(asked.request, OPENID_COOKIE),
        brought,
        max_age=600,
        httponly=True,
        samesite="lax",
        secure=asked.request.url.scheme == "https",
    )
    return answer


def from_openid(asked: Asked) -> Response:
    """Where the hospital's sign-in sends the browser back to."""
    from ledger.store.accounts import Accounts

    openid = asked.doors.openid
    if openid is None:
        raise NotFound("There is no such page.", "Sign in with your name and password.")
    name = cookie_name(asked.request, OPENID_COOKIE)
    try:
        with asked.doors.one_of_a_few():
            told = openid.finish(dict(asked.request.query_params), asked.request.cookies.get(name, ""))
    except TooMany as many:
        return _form(asked, 503, f"{many.problem} {many.remedy}")
    except LedgerError as wrong:
        asked.note("sign-in refused", about="openid")
        return _form(asked, 401, f"{wrong.problem} {wrong.remedy}")
    found = Accounts(asked.ledger).of_subject(openid.settings.issuer, told.subject)
    if found is None or not found.is_open:
        asked.note("sign-in refused", about="openid" if found is None else found.person)
        return _form(
            asked, 403, "The hospital knows you, but you have no account here. Ask whoever keeps the accounts."
        )
    answer = asked.to(told.then)
    asked.doors.lets_in(asked.request, answer, found, None)
    answer.delete_cookie(name, httponly=True, samesite="lax", secure=asked.request.url.scheme == "https")
    asked.note("signed in", about=found.person)
    return answer


def _back(asked: Asked) -> str:
    # The name in it is one that the pages answer to: others were refused before.
    return str(asked.request.url.replace(path="/enter/openid/back", query="", fragment=""))


PAGES = (
    Page("/enter", enter, Right.ANYBODY, before_change=True),
    Page(
        "/enter", sign_in, Right.ANYBODY, methods=("POST",), largest=20_000, without_form_token=True, before_change=True
    ),
    Page("/enter/openid", to_openid, Right.ANYBODY, before_change=True),
    Page("/enter/openid/back", from_openid, Right.ANYBODY, before_change=True),
    Page("/password", password, Right.SIGNED_IN, before_change=True),
    Page("/password", change_password, Right.SIGNED_IN, methods=("POST",), largest=20_000, before_change=True),
    Page("/leave", leave, Right.SIGNED_IN, methods=("POST",), before_change=True),
)
