"""The simulated pupil at a piece of music: plays it over and over with human faults, as a port to listen to."""

import random
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

from fingering.ladder import ladder
from fingering.moves import possible_strays
from fingering.rungs import Rung
from fingerlead.music.tune import Tune
from fingerlead.ports.base import SIMULATED, Chunk, Port, now_us
from fingerlead.ports.simulated_port import SimulatedPort
from fingerlead.simulated.chanter import Chanter, setup_for
from fingerlead.simulated.performance import Performance
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import STANDARD, Habit, SimulatedPupil, troublesome
from fingerlead.simulated.script import Written, tune_script
from fingerlead.wire.carriers import Carrier

TEMPO = 80  # quarter notes a minute, where a tune asks for none
PLAYS_FOR_US = 600_000_000
MOST_TIMES = 200
DEVICE = b"a-pupil\0"
# Gross enough to be heard, and not so often that nothing ever goes well.
FAULT_US = 28_000
FAULT_CHANCE = 0.4


def first_with_strays() -> Rung:
    """The lowest rung of the ladder with a change in which another note can sound."""
    return next(rung for rung in ladder() if any(possible_strays(a, b) for a, b in (*rung.out, *rung.back)))


def written_notes(tune: Tune) -> list[Written]:
    """A tune's notes and the rests between them, repeats written out, as the simulated pupil takes them."""
    notes: list[Written] = []
    ends_at = None
    for note in tune.played():
        if ends_at is not None and note.starts_at > ends_at:
            notes.append(Written(None, note.starts_at - ends_at))
        notes.append(Written(note.note, note.length, note.graces))
        ends_at = note.starts_at + note.length
    return notes


def pupil_performance(tune: Tune, seed: int) -> Performance:
    """The tune over and over for about ten minutes. ValueError for a tune without notes."""
    notes = written_notes(tune)
    whole_us = round(4 * 60_000_000 / (tune.tempo or TEMPO))
    once_us = max(1, round(sum(note.length for note in notes) * whole_us))
    times = min(MOST_TIMES, -(-PLAYS_FOR_US // once_us))
    return perform(_pupil(notes, seed), tune_script(notes, whole_us, times), seed)


class PupilPort(Port):
    """The port of a simulated chanter with the pupil at it. Another tune is as if it were switched off and on again.

    `clock` and `sleep` can be replaced in tests. ValueError for a tune without notes.
    """

    def __init__(
        self,
        tune: Tune,
        seed: int | None = None,
        clock: Callable[[], int] = now_us,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self.name = SIMULATED
        self.carrier: Carrier = "stream"
        self._rng = random.Random(seed)
        self._clock, self._sleep = clock, sleep
        self._tune = self._wanted = tune
        self._chanter: SimulatedPort | None = None
        self._over_us = 0

    def play(self, tune: Tune) -> None:
        """Take up another tune, from any thread; it begins when the port is read next."""
        self._wanted = tune

    def read(self, timeout_s: float) -> list[Chunk]:
        """What the chanter has said since the last read."""
        if self._chanter is None or self._wanted is not self._tune or self._clock() >= self._over_us:
            self._chanter = self._begin(self._wanted)
        return self._chanter.read(timeout_s)

    def write(self, data: bytes) -> None:
        """Let the chanter hear a request."""
        if self._chanter is not None:
            self._chanter.write(data)

    def close(self) -> None:
        """Nothing to let go of."""

    def _begin(self, tune: Tune) -> SimulatedPort:
        self._tune = tune
        seed = self._rng.randrange(2**31)
        performance = pupil_performance(tune, seed)
        self._over_us = self._clock() + performance.end_us
        setup = replace(setup_for(seed), device_id=DEVICE, boot=self._rng.randrange(2**16))
        return SimulatedPort(Chanter(performance, setup), clock=self._clock, sleep=self._sleep)


def _pupil(notes: list[Written], seed: int) -> SimulatedPupil:
    """A pupil whose trouble is one finger in one of the changes of this music, if a third note can sound in any."""
    rng = random.Random(f"pupil {seed}")
    pupil = replace(SimulatedPupil("pupil"), care_us=12_000, scatter_us=(3_000,) * 8)
    held = [note.note for note in notes if note.note is not None]
    choices = [
        (finger, motion, sign, a, b)
        for a, b in sorted({(a, b) for a, b in pairwise(held) if a != b})
        for finger, motion, sign in troublesome(STANDARD[a], STANDARD[b])
    ]
    if not choices:
        return pupil
    finger, motion, sign, a, b = rng.choice(choices)
    return replace(pupil, habits=(Habit(finger, sign * FAULT_US, a, b, motion, FAULT_CHANCE),))
