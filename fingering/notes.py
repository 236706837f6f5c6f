"""The nine notes of the chanter, low to high, and the note that each of the 256 hole masks sounds.

A note is an index 0 to 8 into NOTES. Sounding follows the topmost open hole: low-frequency waves reflect at the first
open hole, so it sets the note (J. Wolfe, UNSW, "Woodwind acoustics: cutoff frequency").
"""

from __future__ import annotations

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
