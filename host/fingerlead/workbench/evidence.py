"""Whether a step of a calibration was done: what all holes show together, and in what words that is told.

Question: did the hand do what was asked? One hole alone cannot say: a finger that was not laid on looks like a sensor
that does not answer. All eight can. `share` is (8,): how far each hole is covered, 0 open to 1 covered, by its own
swing or, before that is known, by the usual one of this chanter. The limits are our own choice.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingering.table import standard_table
from fingerlead.phrases import capital, listed
from fingerlead.workbench.samples import Kind

Floats = NDArray[np.float64]

LYING = 0.35  # a finger lies on this hole, at least in part
CLEARLY = 0.7  # it does, and no drop of water or neighbour's wire looks like it
COVERED, OPEN = 0.6, 0.4
HALF = (0.12, 0.85)
WEAK = 0.02  # the least answer of a weak sensor
FEW = 2  # so many holes may be the sensors'; where more do not follow, it was the hand
NOTE_US = 60_000  # of a scale: what lasts shorter is a finger on its way
CLEARER = 4  # times as long as the wires as they are, swapped ones have to explain a scale
LEAST_CLEAR_US = 200_000


@dataclass(frozen=True, slots=True)
class StepSeen:
    """What stillness showed of a step: holes `missing` a finger that was asked for, and holes with one `too_many`.

    `astray` are those of the latter that are covered in part only. `fallen` read less covered than
    when all were to be open. `weakly`: the hole answered, but little. `instead` is the one other hole that answered.
    """

    missing: tuple[int, ...] = ()
    too_many: tuple[int, ...] = ()
    astray: tuple[int, ...] = ()
    fallen: tuple[int, ...] = ()
    weakly: bool = False
    instead: int | None = None

    @property
    def done(self) -> bool:
        """Whether every hole is where it was asked to be."""
        return not (self.missing or self.too_many or self.fallen)


def see(kind: Kind, hole: int | None, share: Floats) -> StepSeen:
    """What these shares say of a step."""
    if kind == "all":
        return StepSeen(missing=_holes(share <= COVERED))
    if kind == "open" or hole is None:
        return StepSeen(too_many=_holes(share >= LYING), fallen=_holes(share <= -LYING))
    others = share.copy()
    others[hole] = 0.0
    size = abs(share[hole])
    lying = _holes(others >= LYING)
    there = size >= LYING if kind == "covered" else HALF[0] < share[hole] < HALF[1]
    return StepSeen(
        missing=() if there else (hole,),
        too_many=lying,
        astray=tuple(other for other in lying if others[other] < CLEARLY),
        fallen=_holes(others <= -LYING),
        weakly=kind == "covered" and not there and size > WEAK and not lying,
        instead=lying[0] if kind == "covered" and size < LYING and len(lying) == 1 else None,
    )


def _holes(which: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(np.flatnonzero(which).tolist())


def is_hand_moved(seen: StepSeen, kind: Kind, before: int | None) -> bool:
    """Whether the hand has done something, and it is not what was asked: it need not be waited for any longer.

    `before` is the hole of the step before, whose finger may still be on its way.
    """
    if kind == "all":
        return len(seen.missing) <= FEW
    return kind == "covered" and any(other != before for other in (*seen.too_many, *seen.fallen))


def named(holes: Sequence[int]) -> str:
    """These fingers in words: the thumb, the top index and the top ring."""
    return listed([f"the {FINGERS[hole]}" for hole in holes])


def again_words(kind: Kind, hole: int | None, seen: StepSeen | None, share: Floats | None) -> str:
    """One sentence that says what was seen, and asks again; `seen` is None where the fingers never came to rest."""
    finger = "" if hole is None else FINGERS[hole]
    do = {
        "open": "take all fingers off",
        "covered": f"cover only the hole of the {finger}",
        "half": f"cover half of the hole of the {finger}, and nothing else",
        "all": "play low G, with all holes covered",
        "scale": "play slowly up from low G to high A and down again, and stay on low G",
    }[kind]
    if seen is None or share is None:
        return f"The fingers kept moving: {do}, and hold still."
    if kind == "scale":
        told = f"{named(seen.missing)} never moved" if seen.missing else "low G did not come at its end"
        return f"{capital(told)}: {do}."
    if kind == "all":
        where = "" if len(seen.missing) == HOLES else f" at {named(seen.missing)}"
        return f"Nothing changed{where}: {do}."
    if seen.too_many and kind != "open" and seen.instead is not None:
        return f"{capital(named(seen.too_many))} answered, not the {finger}: {do}."
    if seen.too_many:
        also = "also " if kind != "open" and not seen.missing else "still "
        do = do if kind != "covered" or len(seen.too_many) < HOLES // 2 else f"take all fingers off, then {do}"
        return f"{capital(named(seen.too_many))} {also}{_do(seen.too_many, 'lies', 'lie')} on a hole: {do}."
    if seen.fallen:
        return f"{capital(named(seen.fallen))} lay on a hole at the beginning: take all fingers off."
    if kind == "half" and hole is not None:
        if share[hole] >= HALF[1]:
            return f"The {finger} still covers its whole hole: move it aside until half of the hole is open."
        return f"The hole of the {finger} is open: {do}."
    if seen.weakly:
        return f"The {finger} answered only a little: {do}, as firmly as you play."
    return f"Nothing changed at the {finger}: take all fingers off, then {do}."


def _do(holes: Sequence[int], one: str, several: str) -> str:
    return one if len(holes) == 1 else several


def wires_are_swapped(t_us: NDArray[np.int64], share: Floats, instead: dict[int, int]) -> bool:
    """Whether a scale, (n, 8) of shares, sounds of the table's notes only if these holes answer for one another.

    `instead` is which hole answered to each finger, a permutation. A piper's hand knows the scale, however it took the
    names of single fingers; wires that are swapped swap it there too.
    """
    masks = (share > 0.5) @ (1 << np.arange(HOLES))
    begins = np.concatenate(([0], np.flatnonzero(np.diff(masks)) + 1))
    long_us = np.diff(t_us[np.append(begins, len(masks) - 1)])
    masks, long_us = masks[begins][long_us >= NOTE_US], long_us[long_us >= NOTE_US]
    told = [sum(1 << hole for hole in range(HOLES) if mask >> instead.get(hole, hole) & 1) for mask in masks.tolist()]
    notes = list(standard_table().standard)
    is_note, would_be = np.isin(masks, notes), np.isin(told, notes)
    as_is_us, swapped_us = long_us[is_note & ~would_be].sum(), long_us[would_be & ~is_note].sum()
    return bool(swapped_us > max(CLEARER * as_is_us, LEAST_CLEAR_US))
