"""What pitch each of the 256 masks sounds: a just scale on low A, and a false fingering audibly beside it.

Source of the ratios: the chosen set of `fingering.scale`. How far a false fingering is off is our own choice and
settable: closing holes below the topmost open one flattens by up to about a semitone (Physics Today 70(2), 2017, 24).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fingering.notes import SOUNDING
from fingering.scale import SCALES
from fingering.scale import scale as scale_named

if TYPE_CHECKING:
    from fingering.table import Table

LOWEST_A_HZ, HIGHEST_A_HZ = 220.0, 490.0
FALSE_CENTS = -35.0
MOST_FALSE_CENTS = 100.0


@dataclass(frozen=True, slots=True)
class Tuning:
    """Low A in Hz, a set of ratios by its name in SCALES, and how far off a false fingering sounds (either sign).

    Raises ValueError, one sentence, for a low A outside 220 to 490 Hz, an unknown set, or false fingerings more than
    100 cents off.
    """

    low_a_hz: float = 240.0
    scale: str = SCALES[0].name
    false_cents: float = FALSE_CENTS

    def __post_init__(self) -> None:
        if not _between(LOWEST_A_HZ, self.low_a_hz, HIGHEST_A_HZ):
            raise ValueError(
                f"expected low A between {LOWEST_A_HZ:.0f} and {HIGHEST_A_HZ:.0f} Hz; got {self.low_a_hz!r}; "
                "a practice chanter is near 240, a pipe chanter near 480"
            )
        if not _between(-MOST_FALSE_CENTS, self.false_cents, MOST_FALSE_CENTS):
            raise ValueError(
                f"expected false fingerings between {-MOST_FALSE_CENTS:.0f} and {MOST_FALSE_CENTS:.0f} cents off; "
                f"got {self.false_cents!r}; try {FALSE_CENTS:.0f}"
            )
        scale_named(self.scale)

    def note_hz(self) -> tuple[float, ...]:
        """The nine notes in Hz, low G to high A."""
        return tuple(self.low_a_hz * float(ratio) for ratio in scale_named(self.scale).ratios)

    def hz(self, table: Table) -> npt.NDArray[np.float64]:
        """Hz by mask, shape (256,): the note that the mask sounds, shifted where its fingering is false."""
        notes = self.note_hz()
        shift = 2 ** (self.false_cents / 1200)
        return np.array(
            [
                notes[SOUNDING[mask]] * (shift if table.verdict(mask).fingering == "false" else 1.0)
                for mask in range(256)
            ]
        )


def _between(low: float, value: object, high: float) -> bool:
    # A bool is an int to Python, but nobody's pitch.
    return (
        isinstance(value, (int, float))
        and not isinstance(value, bool)
        and math.isfinite(value)
        and low <= value <= high
    )
