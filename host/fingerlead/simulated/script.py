"""What the pupil means to play: a script of notes and how long each is held. Pure, and the same for the same seed.

A script is drawn from a pupil's own ways, or made of a written tune: notes with lengths become steps in µs, one for
each note that is to be held. A rest is played with the hands off, so that a sensor chanter, which hears no breath, can
tell it. A note written twice in a row with neither a grace note nor a rest between cannot be parted on a chanter: it
is one long note.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import accumulate, count

from fingering.notes import NOTES
from fingerlead.simulated.grace_notes import GraceStep
from fingerlead.simulated.pupil import SimulatedPupil

FIRST_HOLD_US = 1_000_000
SHORTEST_REST_US = 150_000
BETWEEN_TIMES_US = 1_000_000


@dataclass(frozen=True, slots=True)
class ScriptNote:
    """One note (0 to 8) and how long the pupil means to hold it.

    `graces` are played before it, after the hands were off for `rest_us`. `place` is where in a tune it is written.
    `steps`, where there are any, are how its grace notes are fingered instead; all begins `aside_us` off its time.
    """

    note: int
    hold_us: int
    graces: tuple[int, ...] = ()
    rest_us: int = 0
    place: int | None = None
    steps: tuple[GraceStep, ...] = ()
    aside_us: int = 0


Script = tuple[ScriptNote, ...]


def write_script(pupil: SimulatedPupil, seed: int, changes: int | None = None, for_us: int | None = None) -> Script:
    """A script for the pupil: its tune round and round, or random notes by its weights.

    `changes` is how many changes, `for_us` how long; with both, whichever ends first. Raises ValueError with neither.
    The first note is held for a second at least, so that a listener is there when the first change comes.
    """
    if changes is None and for_us is None:
        raise ValueError("expected a number of changes or a length")
    rng = random.Random(f"script {seed}")
    steps: list[ScriptNote] = []
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
        steps.append(ScriptNote(note, hold_us))
        played_us += hold_us
    return tuple(steps)


def _next_note(pupil: SimulatedPupil, note: int | None, rng: random.Random) -> int:
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
    once: list[ScriptNote] = []
    rest_us = 0
    for written in notes:
        length_us = max(round(written.length * whole_us), 1)
        if written.note is None:
            rest_us += length_us
        elif once and not rest_us and once[-1].note == written.note and set(written.graces) <= {written.note}:
            once[-1] = replace(once[-1], hold_us=once[-1].hold_us + length_us)
        else:
            before_us = max(rest_us, SHORTEST_REST_US) if once and rest_us else 0
            once.append(ScriptNote(written.note, length_us, written.graces, before_us, len(once)))
            rest_us = 0
    if not once:
        raise ValueError("expected a tune of at least one note")
    first = replace(once[0], hold_us=max(once[0].hold_us, FIRST_HOLD_US))
    again = [replace(once[0], rest_us=BETWEEN_TIMES_US), *once[1:]]
    return (first, *once[1:], *again * (times - 1))
