"""Entries cut into blocks that a packet can hold, and joined again.

A block is one byte of flags and up to BLOCK bytes of an entry. Flags: bit 0, the entry goes on in the next block; bit
1, it began in a block before. Blocks are numbered through the whole log, from 0 up; that number is what is
acknowledged, and by which a lesson goes on after a cut.
"""

from fingerlead.lesson.entries import MOST_ENTRY
from fingerlead.lesson.errors import unexpected

BLOCK = 960
GOES_ON, BEGAN = 1, 2


def cut(entry: bytes) -> list[bytes]:
    """The blocks of an entry, at least one."""
    parts = [entry[start : start + BLOCK] for start in range(0, len(entry), BLOCK)]
    last = len(parts) - 1
    return [bytes([(GOES_ON if at < last else 0) | (BEGAN if at else 0)]) + part for at, part in enumerate(parts)]


class Joiner:
    """Joins blocks that come in order; after a gap it begins again with the next entry that begins."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._size = 0

    def add(self, block: bytes, *, after_gap: bool = False) -> bytes | None:
        """The entry that this block ends; raises LessonError where one is too long or blocks do not fit."""
        began, open_ = bool(block[0] & BEGAN), bool(self._parts) and not after_gap
        if after_gap:
            self._clear()
        if began != open_:
            self._clear()
            if after_gap:
                return None
            raise unexpected("blocks of entries that fit together", "others")
        self._parts.append(block[1:])
        self._size += len(block) - 1
        if self._size > MOST_ENTRY:
            self._clear()
            raise unexpected(f"at most {MOST_ENTRY} bytes in an entry", "more")
        if block[0] & GOES_ON:
            return None
        entry = b"".join(self._parts)
        self._clear()
        return entry

    def _clear(self) -> None:
        self._parts, self._size = [], 0
