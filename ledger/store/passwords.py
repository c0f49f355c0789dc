"""Passwords: which are good enough, and how one is kept so that nobody can read it back.

Kept is an Argon2id hash with the parameters of argon2-cffi (RFC 9106's second recommendation), never a password. What
is good enough follows NIST SP 800-63B, 5.1.1 in its third revision and 3.1.1 in its fourth: length and nothing that is
easily guessed, no rules of composition, no change by the calendar. The lengths are from memory of the fourth revision,
which asks for fifteen characters where a password is the only factor and for at least sixty-four to be allowed.

Not here: who has one (`accounts`), how often somebody may try (`cli.pages.slowing`).
"""

from __future__ import annotations

import re
import threading
import unicodedata
from collections.abc import Iterable
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

from ledger.errors import WrongInput

if TYPE_CHECKING:
    from argon2 import PasswordHasher

SHORTEST, LONGEST = 15, 256
"""Characters of a password, after normalisation. The longest only bounds what a form can make us hash."""

_AT_ONCE = threading.Semaphore(2)
"""A hash takes 64 MiB and all of a core for a moment: so many at once, so that sign-ins cannot starve the pages."""


def normalised(password: str) -> str:
    """The same password however the keyboard composed its letters (NFKC, as SP 800-63B advises)."""
    return unicodedata.normalize("NFKC", password)


def check_good_enough(password: str, about: Iterable[str]) -> None:
    """Raises WrongInput, without a word of the password, for one that is too short or easily guessed.

    `about` are words that an attacker would try first: the person's id, name, unit.
    """
    found = normalised(password)
    if len(found) < SHORTEST:
        raise WrongInput(
            f"This password is too short: it needs {SHORTEST} characters or more.",
            "Take a few words that do not belong together; spaces count, and no sign or digit is asked for.",
        )
    if len(found) > LONGEST:
        raise WrongInput(f"This password is longer than {LONGEST} characters.", "Take a shorter one.")
    folded = found.casefold()
    if len(set(folded)) < 5 or _is_repeated(folded) or _is_a_row(folded):
        raise WrongInput(
            "This password is easily guessed: it repeats itself, or runs along the alphabet or the keyboard.",
            "Take a few words that do not belong together.",
        )
    rest = folded
    for text in (*about, "access-ledger", "password", "dialysis"):
        for word in re.findall(r"\w{3,}", normalised(text).casefold()):
            rest = rest.replace(word, "")
    if len(re.sub(r"[\W\d_]", "", rest)) < SHORTEST // 2:
        raise WrongInput(
            "This password is made of your name, your unit, digits, or words that are tried first.",
            "Take a few words that have nothing to do with you or this work.",
        )


def _is_repeated(text: str) -> bool:
    """Whether the text is one short piece over and over: it occurs within itself, shifted by that piece."""
    return any(text[size:] == text[:-size] for size in range(1, len(text) // 2 + 1))


_ROWS = ("abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm", "qwertzuiop", "azertyuiop")


def _is_a_row(text: str) -> bool:
    """Whether most neighbours in the text are neighbours in the alphabet or on a keyboard."""
    near = {pair for row in _ROWS for pair in pairwise(row)}
    pairs = list(pairwise(text))
    return sum(pair in near or pair[::-1] in near for pair in pairs) > 0.7 * len(pairs)


def hashed(password: str) -> str:
    """The hash to keep, with its salt and parameters."""
    with _AT_ONCE:
        return _hasher().hash(normalised(password))


def is_right(kept: str | None, password: str) -> bool:
    """Whether this is the password that was hashed. Without a hash it takes as long and says no."""
    from argon2.exceptions import InvalidHashError, VerificationError

    with _AT_ONCE:
        try:
            right = _hasher().verify(kept or _nobodys(), normalised(password[: 4 * LONGEST]))
        except (VerificationError, InvalidHashError):
            return False
    return right and kept is not None


def is_outdated(kept: str) -> bool:
    """Whether a hash was made with parameters that are no longer ours, so that it is made anew at the next sign-in."""
    return _hasher().check_needs_rehash(kept)


@cache
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _nobodys() -> str:
    """A hash that no password has, to compare with where there is none: the time must not tell who has an account."""
    import secrets

    return _hasher().hash(secrets.token_urlsafe(32))
