"""A written tune as a script: notes with lengths become steps in µs, one for each note that is to be held. Pure.

A rest is played with the hands off, so that a sensor chanter, which hears no breath, can tell it. A note written twice
in a row with neither a grace note nor a rest between cannot be parted on a chanter: it is one long note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from host.simulated.script import FIRST_HOLD_US, Script, Step

SHORTEST_REST_US = 150_000
BETWEEN_TIMES_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Written:
    """A written note (None for a rest), its length as a part of a whole note, and the grace notes before it."""

    note: int | None
    length: Fraction
    graces: tuple[int, ...] = ()


def tune_script(notes: Sequence[Written], whole_us: int, times: int = 1) -> Script:
    """The script of a tune that lasts `whole_us` for each whole note, played `times` times with hands off between.

    A step's `place` counts the notes to be held from 0. The first is held for a second at least. ValueError for a tune
    without notes.
    """
    once: list[Step] = []
    rest_us = 0
    for written in notes:
        length_us = max(round(written.length * whole_us), 1)
        if written.note is None:
            rest_us += length_us
        elif once and not rest_us and once[-1].note == written.note and set(written.graces) <= {written.note}:
            once[-1] = replace(once[-1], hold_us=once[-1].hold_us + length_us)
        else:
            before_us = max(rest_us, SHORTEST_REST_US) if once and rest_us else 0
            once.append(Step(written.note, length_us, written.graces, before_us, len(once)))
            rest_us = 0
    if not once:
        raise ValueError("expected a tune of at least one note")
    first = replace(once[0], hold_us=max(once[0].hold_us, FIRST_HOLD_US))
    again = [replace(once[0], rest_us=BETWEEN_TIMES_US), *once[1:]]
    return (first, *once[1:], *again * (times - 1))
