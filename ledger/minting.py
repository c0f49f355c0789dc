"""Ids for what is entered for the first time: accesses, visits, lesions, devices.

An id is made of the ledger's own random id and of what it is for, so the same report or
the same typed line gives the same id again, and entering twice adds nothing. It is short
enough to be said over the telephone and says nothing about anybody.
"""

from __future__ import annotations

import re
from binascii import a2b_base64, b2a_base64
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


# --- The ids of entries, packed ------------------------------------------------------------------------------------


def packed_id(entry_id: str) -> str:
    """The 16 bytes of a UUID in 22 characters of base64; any other id as it is, behind `=`, which base64 never begins.

    Hex digits in capitals, or hyphens elsewhere, would not come back as they were.
    """
    if len(entry_id) == 36 and _UUID.fullmatch(entry_id):
        return b2a_base64(bytes.fromhex(entry_id.replace("-", "")), newline=False)[:22].decode("ascii")
    return "=" + entry_id


def unpacked_id(packed: str) -> str:
    """The id that `packed_id` wrote."""
    if packed[0] == "=":
        return packed[1:]
    digits = a2b_base64(packed + "==").hex()
    return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"


_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
