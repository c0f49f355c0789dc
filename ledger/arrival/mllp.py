"""HL7 v2 messages on a line: the frames of the Minimal Lower Layer Protocol, and nothing of what is in them.

A frame is VT, a message, FS, CR. `Framing` takes bytes as a network gives them (half a frame, three frames in one
piece, noise between frames) and gives blocks. It is a function of the bytes: no socket, no clock. What a person types
may hold a VT of its own (word processors use it for a soft line break), so one begins a new frame only where MSH
follows; FS ends a frame only where CR, the next frame, or silence follows.

Source: "Transport Specification: MLLP, Release 1" of HL7, from memory, not looked up. Release 2 (a commit
acknowledgement of the frame itself) is not spoken. Frames in UTF-16 are none in MLLP, which looks for single bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

START, END, AFTER = b"\x0b", b"\x1c", b"\r"
MOST_BYTES = 64 * 1024 * 1024
HEAD_BYTES = 2000
"""So much of a message that is too large is kept for its answer: enough for MSH."""

_NOISE = b"\r\n \t\x00"
_ANEW = b"\x0bMSH"


@dataclass(frozen=True)
class Block:
    """A message that came whole. `unfinished` says that the one before it in the line never ended."""

    message: bytes
    unfinished: bool = False


@dataclass(frozen=True)
class TooLarge:
    """A message beyond the limit: its first bytes, and how many there were. The rest was let go as it came."""

    head: bytes
    size: int


@dataclass(frozen=True)
class Noise:
    """Bytes between frames that are none of line ends and blanks; how many."""

    size: int


class Framing:
    """The frames of one connection.

    `most` is how many bytes a message may have. `is_inside` says that a frame has begun and not ended, so that the
    connection may be asked to go on; `may_be_ended` that FS came last, and that only silence can tell what it meant.
    """

    def __init__(self, most: int = MOST_BYTES) -> None:
        self._most = most
        self._held = bytearray()
        self._looked_at = 0
        self._dropped = 0
        self.is_inside = False

    @property
    def may_be_ended(self) -> bool:
        return self.is_inside and self._held.endswith(END)

    def feed(self, data: bytes) -> Iterator[Block | TooLarge | Noise]:
        """The blocks that these bytes complete, in their order."""
        self._held += data
        while True:
            if not self.is_inside:
                noise, begun = self._to_start()
                if noise:
                    yield Noise(noise)
                if not begun:
                    return
            found = self._ended()
            if found is None:
                self._let_go()
                return
            yield found

    def silence(self) -> Block | TooLarge | None:
        """The block that is complete after all, because nothing follows its FS: some senders leave CR out."""
        return self._taken(len(self._held) - 1, len(self._held)) if self.may_be_ended else None

    def _to_start(self) -> tuple[int, bool]:
        start = self._held.find(START)
        before = bytes(self._held if start < 0 else self._held[:start])
        del self._held[: len(before)]
        if start < 0:
            return len(before.translate(None, _NOISE)), False
        del self._held[:1]
        self.is_inside, self._looked_at, self._dropped = True, 0, 0
        return len(before.translate(None, _NOISE)), True

    def _ended(self) -> Block | TooLarge | None:
        while True:
            end = self._held.find(END, self._looked_at)
            if end < 0:
                self._looked_at = len(self._held)
                return None
            if end + 1 == len(self._held):
                self._looked_at = end
                return None
            follows = self._held[end + 1 : end + 2]
            if follows == AFTER:
                return self._taken(end, end + 2)
            if follows == START:
                return self._taken(end, end + 1)
            self._looked_at = end + 1

    def _taken(self, end: int, to: int) -> Block | TooLarge:
        message = bytes(self._held[:end])
        del self._held[:to]
        self.is_inside = False
        if self._dropped:
            return TooLarge(message[:HEAD_BYTES], self._dropped + len(message))
        anew = message.rfind(_ANEW)
        if anew >= 0:
            return Block(message[anew + 1 :], unfinished=True)
        if len(message) > self._most:
            return TooLarge(message[:HEAD_BYTES], len(message))
        return Block(message)

    def _let_go(self) -> None:
        """Keeps of a message that is too large its beginning, for the answer, and the last byte, which may be FS."""
        if len(self._held) > self._most or (self._dropped and len(self._held) > HEAD_BYTES + 1):
            last = self._held[-1:]
            self._dropped += len(self._held) - HEAD_BYTES - 1
            self._held[HEAD_BYTES:] = last
            self._looked_at = HEAD_BYTES


def framed(message: bytes) -> bytes:
    """A message as it goes over the line."""
    return START + message + END + AFTER
