"""The fingering geometry as arrays: what the array functions of this room look masks up in.

Everything follows from `fingering`; nothing is typed in here. Arrays are indexed by covered mask (256) or by note (9).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from fingering.holes import HANDS_OFF, HOLES
from fingering.moves import possible_strays
from fingering.notes import NOTES, SOUNDING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fingering.table import Table

# All eight holes open is hands off: it sounds, but is never held as a note.
NO_NOTE = len(NOTES)

POPCOUNT = np.array([mask.bit_count() for mask in range(256)], dtype=np.uint8)
SOUND = np.frombuffer(SOUNDING, dtype=np.uint8)
HELD_CODE = SOUND.copy()
HELD_CODE[HANDS_OFF] = NO_NOTE
# The bit of the topmost open hole; 0 where all are covered.
TOP_OPEN_BIT = np.array([~mask & (mask + 1) & 0xFF for mask in range(256)], dtype=np.uint8)
# The hole of a mask with one bit set.
HOLE_OF_BIT = np.zeros(256, dtype=np.uint8)
HOLE_OF_BIT[1 << np.arange(HOLES)] = np.arange(HOLES)


@dataclass(frozen=True)
class Geometry:
    """`standard` uint8[10]: the chart's mask of each note (255 past the ninth); `may_stray` bool[10, 10, 10]:
    whether the third note can sound in a direct change from the first to the second, in some order of the fingers.
    """

    standard: NDArray[np.uint8]
    may_stray: NDArray[np.bool_]


@lru_cache(maxsize=8)
def geometry_of(table: Table) -> Geometry:
    """The geometry of a fingering table."""
    may_stray = np.zeros((NO_NOTE + 1,) * 3, dtype=bool)
    for from_note in range(len(NOTES)):
        for to_note in range(len(NOTES)):
            if from_note != to_note:
                may_stray[from_note, to_note, list(possible_strays(from_note, to_note, table))] = True
    return Geometry(np.array([*table.standard, 255], dtype=np.uint8), may_stray)
