"""How the nine notes stand to low A: published sets of ratios. Sources differ, so the set is a choice.

A set's `ratios` are exact, by note from low G to high A; low A is 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Scale:
    """A named set of nine ratios to low A, with its source."""

    name: str
    ratios: tuple[Fraction, ...]
    source: str


def _scale(name: str, ratios: str, source: str) -> Scale:
    return Scale(name, tuple(map(Fraction, ratios.split())), source)


SCALES = (
    _scale(
        "harmonic",
        "7/8 1 9/8 5/4 4/3 3/2 5/3 7/4 2",
        'E. Macpherson 1998, "The Pitch and Scale of the Great Highland Bagpipe", column "Harmonic"',
    ),
    _scale(
        "Lenihan and MacNeill 1954",
        "9/10 1 9/8 5/4 27/20 3/2 5/3 9/5 2",
        "J.M.A. Lenihan and S. MacNeill, Acustica 4 (1954) 231-232, as reported by the Elizabeth Pipe Band (2008); "
        "low G an octave below high G (D. Keenan 2001 gives 7/8 or 9/10)",
    ),
    _scale(
        "MacNeill, low G 8/9",
        "8/9 1 9/8 5/4 27/20 3/2 5/3 9/5 2",
        "as Lenihan and MacNeill 1954, with low G as printed in E. Macpherson's table of MacNeill's scale (1998)",
    ),
)


def scale(name: str) -> Scale:
    """A set by its name; ValueError says which there are."""
    for known in SCALES:
        if known.name.casefold() == name.strip().casefold():
            return known
    raise ValueError(f"expected one of {'; '.join(known.name for known in SCALES)}; got {name!r}")


def cents(ratio: Fraction | float) -> float:
    """A ratio above zero as an interval in cents, 1200 to the octave."""
    return 1200 * math.log2(ratio)
