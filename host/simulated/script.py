"""What the pupil means to play: a script of notes and how long each is held. Pure, and the same for the same seed."""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import accumulate, count

from fingering.notes import NOTES
from host.simulated.pupil import Pupil

FIRST_HOLD_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Step:
    """One note (0 to 8) and how long the pupil means to hold it.

    `graces` are played before it, after the hands were off for `rest_us`. `place` is where in a tune it is written.
    """

    note: int
    hold_us: int
    graces: tuple[int, ...] = ()
    rest_us: int = 0
    place: int | None = None


Script = tuple[Step, ...]


def write_script(pupil: Pupil, seed: int, changes: int | None = None, for_us: int | None = None) -> Script:
    """A script for the pupil: its tune round and round, or random notes by its weights.

    `changes` is how many changes, `for_us` how long; with both, whichever ends first. Raises ValueError with neither.
    The first note is held for a second at least, so that a listener is there when the first change comes.
    """
    if changes is None and for_us is None:
        raise ValueError("expected a number of changes or a length")
    rng = random.Random(f"script {seed}")
    steps: list[Step] = []
    played_us = 0
    note = None
    for number in count():
        if changes is not None and number > changes:
            break
        if for_us is not None and played_us >= for_us and number > 1:
            break
        note = pupil.tune[number % len(pupil.tune)] if pupil.tune else _next_note(pupil, note, rng)
        hold_us = rng.randint(*pupil.hold_us)
        if number == 0:
            hold_us = max(hold_us, FIRST_HOLD_US)
        steps.append(Step(note, hold_us))
        played_us += hold_us
    return tuple(steps)


def _next_note(pupil: Pupil, note: int | None, rng: random.Random) -> int:
    weights = list(pupil.weights)
    for habit in pupil.habits:
        if habit.favour == 1.0 or habit.to_note is None:
            continue
        if habit.from_note is None or habit.from_note == note:
            weights[habit.to_note] *= habit.favour
        elif habit.from_note is not None:
            # The change can be taken often only where its first note is met often.
            weights[habit.from_note] *= habit.favour**0.5
    if note is not None:
        weights[note] = 0.0
    return rng.choices(range(len(NOTES)), cum_weights=list(accumulate(weights)))[0]
