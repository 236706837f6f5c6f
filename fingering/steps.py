"""The fingers of an embellishment, one step for each note that sounds: for its picture and its words.

A grace note above the note after it is one light lift on that note's fingering (see `table`); all other notes are
fingered as the chart has them. So a hand goes to the new melody note with its first grace note, as teachers ask.
"""

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

from fingering.holes import FINGERS, fingers_of
from fingering.notes import NOTES, SOUNDING, a_note, listed
from fingering.table import grace_masks, standard_table


class FingerStep(NamedTuple):
    """What moves for the next note: the fingers that lift, and those that come down; `covered_mask` stands then."""

    note: int
    covered_mask: int
    lifts: tuple[int, ...]
    lowers: tuple[int, ...]


def finger_steps(from_note: int, graces: Sequence[int], to_note: int) -> tuple[FingerStep, ...]:
    """The steps from one melody note by grace notes (0 to 8) to another; one step for each note that sounds."""
    notes = [note for note, _ in groupby((from_note, *graces, to_note))]
    masks = list(_masks(notes))
    return tuple(
        FingerStep(SOUNDING[after], after, fingers_of(before & ~after), fingers_of(after & ~before))
        for before, after in pairwise(masks)
    )


def step_words(step: FingerStep) -> str:
    """A step in words: `high G: lift the top index and the bottom ring`."""
    parts = (("lift", step.lifts), ("put down", step.lowers))
    return f"{NOTES[step.note]}: {', '.join(f'{verb} {_named(fingers)}' for verb, fingers in parts if fingers)}"


def steps_words(from_note: int, graces: Sequence[int], to_note: int) -> str:
    """The order of fingers of an embellishment in one sentence."""
    steps = enumerate(finger_steps(from_note, graces, to_note), 1)
    told = "; ".join(f"{number} {step_words(step)}" for number, step in steps)
    return f"From {a_note(from_note)}: {told}."


def _masks(notes: Sequence[int]) -> Iterator[int]:
    standard = standard_table().standard
    yield standard[notes[0]]
    for note, after in pairwise(notes[1:]):
        light = (mask for mask in grace_masks(standard[after]) if SOUNDING[mask] == note)
        yield next(light, standard[note])
    yield standard[notes[-1]]


def _named(fingers: Sequence[int]) -> str:
    return listed([f"the {FINGERS[finger]}" for finger in fingers])
