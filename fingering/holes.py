"""The eight holes of the chanter: their order, their bits and their written form.

Hole 0 is the thumb hole at the back; 1 to 7 follow down the front. In a *covered mask* bit i is 1 while hole i is
covered. Written, a mask is eight letters from the top, `x` covered and `o` open: low A is `xxxxxxxo`.
"""

from functools import lru_cache

HOLES = 8
FINGERS = (
    "thumb",
    "top index",
    "top middle",
    "top ring",
    "bottom index",
    "bottom middle",
    "bottom ring",
    "bottom little",
)
ALL_COVERED = 0xFF
HANDS_OFF = 0x00
TOP_HAND = 0x0F
BOTTOM_HAND = 0xF0


class HolesError(ValueError):
    """Text that is not eight letters of `x` and `o`."""

    def __init__(self, got: str) -> None:
        self.got = got
        super().__init__(
            "expected eight letters, x for covered and o for open, from the thumb down (low A is xxxxxxxo); "
            f"got {got!r}"
        )


def to_text(covered_mask: int) -> str:
    """Write a mask (0 to 255) as eight letters from the thumb down."""
    return "".join("x" if covered_mask >> hole & 1 else "o" for hole in range(HOLES))


def from_text(text: str) -> int:
    """Read eight letters into a mask; raises HolesError for anything else."""
    if len(text) != HOLES or not set(text) <= {"x", "o"}:
        raise HolesError(text)
    return sum(1 << hole for hole, letter in enumerate(text) if letter == "x")


@lru_cache(maxsize=256)
def fingers_of(mask: int) -> tuple[int, ...]:
    """The holes whose bits are set in a mask, from the thumb down."""
    return tuple(hole for hole in range(HOLES) if mask >> hole & 1)


def top_open_hole(covered_mask: int) -> int | None:
    """The topmost open hole, or None where all are covered."""
    return next((hole for hole in range(HOLES) if not covered_mask >> hole & 1), None)
