"""The nine notes of the chanter, low to high, and the note that each of the 256 hole masks sounds.

A note is an index 0 to 8 into NOTES. Sounding follows the topmost open hole: low-frequency waves reflect at the first
open hole, so it sets the note (J. Wolfe, UNSW, "Woodwind acoustics: cutoff frequency").

How the nine notes stand to low A is published in several sets of ratios. Sources differ, so the set is a choice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from fingering.holes import top_open_hole

NOTES = ("low G", "low A", "B", "C", "D", "E", "F", "high G", "high A")
LOW_G, LOW_A, B, C, D, E, F, HIGH_G, HIGH_A = range(9)

# Letters as ABC notation writes them (ABC 2.1, K:HP).
ABC_LETTERS = "GABcdefga"

# Which note the topmost open hole names, from the thumb down.
_NOTE_OF_TOP_OPEN_HOLE = (HIGH_A, HIGH_G, F, E, D, C, B, LOW_A)


def sounding(covered_mask: int) -> int:
    """The note (0 to 8) that a mask sounds; all covered is low G."""
    hole = top_open_hole(covered_mask)
    return LOW_G if hole is None else _NOTE_OF_TOP_OPEN_HOLE[hole]


# Indexed by covered mask.
SOUNDING: bytes = bytes(sounding(mask) for mask in range(256))


def note_index(name: str) -> int:
    """The index of a note by its name (`low G` … `high A`) or ABC letter; ValueError says what was expected."""
    text = name.strip()
    if len(text) == 1 and text in ABC_LETTERS:
        return ABC_LETTERS.index(text)
    for index, known in enumerate(NOTES):
        if text.casefold() == known.casefold():
            return index
    raise ValueError(f"expected one of {', '.join(NOTES)} (or a letter of {ABC_LETTERS}); got {name!r}")


@dataclass(frozen=True, slots=True)
class Scale:
    """A named set of nine exact ratios to low A, by note from low G to high A, with its source."""

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


def a_note(note: int) -> str:
    """A note by its index, with its article: `a low A`, `an E`."""
    return f"{'an' if note in (E, F) else 'a'} {NOTES[note]}"


def listed(names: Sequence[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`; empty where there are none."""
    return "".join(names) if len(names) < 2 else f"{', '.join(names[:-1])} {last} {names[-1]}"
