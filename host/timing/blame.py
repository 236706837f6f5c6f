"""Which finger went out of turn: the one whose move, put elsewhere in the order, takes the strays away.

Question: of the fingers of a change that went astray, whose time is to be mended, and what should have gone first?
Method: every finger is tried at the instant of every other one, on the change's own finger times; the try that leaves
the least time on third notes wins; of equals the one that moves its finger the least, then the one whose finger stands
furthest from the rest, then the one whose finger was early. So the advice is never typed in, and obeying it has been
tried before it is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Literal

from fingering.notes import SOUNDING

if TYPE_CHECKING:
    from host.timing.results import Change


@dataclass(frozen=True, slots=True)
class Blame:
    """`finger` went out of turn, early or late; `first` should go before `second`, which went `apart_us` before it.

    `finger` is one of the two. `turn` is the advice in short. On the way up it is enough that `first`, whose hole names
    the note to come, goes first of all; on the way down, that `second`, whose hole names the note that is left, goes
    last. Of two fingers that is the same.
    """

    finger: int
    early: bool
    first: int
    second: int
    apart_us: int
    turn: Literal["first", "last"]


def blame(change: Change) -> Blame | None:
    """The finger to mend in a plain change with a stray; None where there is no stray or nothing would help."""
    if change.loose is None or not change.strays or len(change.fingers) < 2:
        return None
    times = {finger.finger: finger.after_start_us for finger in change.fingers}
    astray_us = third_note_us(change.from_mask, change.to_mask, times)
    best: tuple[int, int, float, bool, int, int] | None = None
    for finger, at_us in times.items():
        others = {other: other_us for other, other_us in times.items() if other != finger}
        apart_us = abs(at_us - median(others.values()))
        for other, other_us in others.items():
            if other_us == at_us:
                continue
            left_us = third_note_us(change.from_mask, change.to_mask, {**times, finger: other_us})
            tried = (left_us, abs(other_us - at_us), -apart_us, at_us > other_us, finger, other)
            if best is None or tried < best:
                best = tried
    if best is None or best[0] >= astray_us:
        return None
    _, apart_us, _, late, finger, other = best
    first, second = (finger, other) if late else (other, finger)
    up = change.to_note > change.from_note
    return Blame(finger, not late, first, second, apart_us, "first" if up or len(times) == 2 else "last")


def third_note_us(from_mask: int, to_mask: int, times: dict[int, int]) -> int:
    """How long third notes sound if each finger that differs moves once, at its time."""
    notes = (SOUNDING[from_mask], SOUNDING[to_mask])
    mask, since_us, total_us = from_mask, 0, 0
    for at_us, finger in sorted((at_us, finger) for finger, at_us in times.items()):
        if SOUNDING[mask] not in notes:
            total_us += at_us - since_us
        mask ^= 1 << finger
        since_us = at_us
    return total_us
