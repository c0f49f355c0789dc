"""Ids for what is entered for the first time: accesses, visits, lesions, devices.

An id is made of the ledger's own random id and of what it is for, so the same report or
the same typed line gives the same id again, and entering twice adds nothing. It is short
enough to be said over the telephone and says nothing about anybody.
"""

from __future__ import annotations

from uuid import UUID, uuid5

_SIGNS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Without I, L, O and U, which are misread or misheard.
_LENGTH = 10  # 50 bits: with half a million accesses, one chance in ten thousand that two are called alike.

ACCESS, VISIT, LESION, DEVICE = "A", "V", "L", "D"


def minted(prefix: str, organisation: UUID, *about: object) -> str:
    """An id that begins with `prefix` for what `about` says; always the same one in the same ledger.

    >>> minted(ACCESS, UUID(int=7), "P0001", "r-1", 1)
    'AD43PND1SKS'
    """
    number = uuid5(organisation, "minted|" + "|".join(map(str, about))).int
    return prefix + "".join(_SIGNS[(number >> 5 * place) & 31] for place in range(_LENGTH))
