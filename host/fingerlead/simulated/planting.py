"""One fault, planted on purpose: a tune played cleanly but for it, and the fault written down. The same for a seed.

early    a finger that should wait moves first of all, and a third note sounds for 20 to 32 ms
slow     a finger comes last of all, and a third note sounds for 60 to 150 ms
wrong    another note is played instead of the written one
restart  the pupil stops, and goes back to the beginning or a few notes
slip     an idle finger moves, unheard where the tune allows: for a moment, or for several notes on end
"""

import random
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import Literal, get_args

from fingering.holes import fingers_of
from fingering.notes import NOTES, SOUNDING
from fingerlead.simulated.performance import FaultKind, Performance, PlantedFault
from fingerlead.simulated.play import Plant, perform
from fingerlead.simulated.pupil import STANDARD, SimulatedPupil, troublesome
from fingerlead.simulated.script import Script

PlantedKind = Literal["early", "slow", "wrong", "restart", "slip"]
KINDS: tuple[PlantedKind, ...] = get_args(PlantedKind)

# Steady, and in an order that sounds clean. No two fingers of a change come further apart than 23 ms.
CLEAN = SimulatedPupil("clean", (1_500,) * 8, 14_000)

EARLY_US = (20_000, 32_000)
SLOW_US = (60_000, 150_000)
SLIP_US = (15_000, 36_000)  # not so long that a note of it is held
SLIP_AT_US = (-20_000, 25_000)
BACK = (2, 6)  # notes
PAUSE_US = (500_000, 1_500_000)
AWAY_NOTES = (3, 6)
# Bottom middle and ring: lifted, they sound C and B, which are neither grace notes nor strikes on a note above them.
HEARD_SLIPS = (5, 6)
# A fault is not planted beside a note shorter than this: its fingers would run into those of the next change.
ROOM_US = 150_000
TRIED_RESTARTS = 40


class NotPlantableError(ValueError):
    """A tune in which a kind of fault cannot be planted; `str()` is one sentence."""


def plant_one(
    kind: PlantedKind, tune: Script, seed: int, pupil: SimulatedPupil = CLEAN
) -> tuple[Performance, PlantedFault]:
    """The tune (see `script.tune_script`) played once over with exactly one fault; raises NotPlantableError."""
    rng = random.Random(f"plant {kind} {seed}")
    planter, why_not = _PLANTERS[kind]
    performance = planter(tune, seed, pupil, rng)
    if performance is None:
        others = ", ".join(each for each in KINDS if each != kind)
        raise NotPlantableError(
            f"expected a tune with a place for the fault {kind!r}, but {why_not}: try another tune, or "
            f"another kind ({others})"
        )
    (fault,) = performance.faults
    return performance, fault


def _plain(tune: Script) -> list[int]:
    """The numbers of notes that are reached by a plain change with time enough around it."""
    return [
        number
        for number in range(1, len(tune))
        if not tune[number].graces
        and not tune[number].rest_us
        and min(tune[number - 1].hold_us, tune[number].hold_us) >= ROOM_US
    ]


def _finger(kind: FaultKind, tune: Script, seed: int, pupil: SimulatedPupil, rng: random.Random) -> Performance | None:
    """The finger that comes first of all (early) or last (slow)."""
    sign, by_us = (-1, EARLY_US) if kind == "early" else (1, SLOW_US)
    choices = [
        (number, finger)
        for number in _plain(tune)
        for finger, _, when in troublesome(STANDARD[tune[number - 1].note], STANDARD[tune[number].note])
        if when == sign
    ]
    if not choices:
        return None
    return perform(pupil, tune, seed, [Plant(kind, *rng.choice(choices), rng.randint(*by_us))])


def _wrong(tune: Script, seed: int, pupil: SimulatedPupil, rng: random.Random) -> Performance | None:
    places = [n for n in range(len(tune)) if not tune[n].graces and (n + 1 == len(tune) or not tune[n + 1].graces)]
    if not places:
        return None
    number = rng.choice(places)
    around = {step.note for step in tune[max(number - 1, 0) : number + 2]}
    note = rng.choice([note for note in range(len(NOTES)) if note not in around])
    step = tune[number]
    performance = perform(pupil, (*tune[:number], replace(step, note=note), *tune[number + 1 :]), seed)
    played = performance.notes[number]
    fault = PlantedFault(
        "wrong", None, performance.notes[max(number - 1, 0)].note, note, played.t_us, step.hold_us, number, step.place,
        written=step.note,
    )  # fmt: skip
    return replace(performance, faults=(fault,))


def _restart(tune: Script, seed: int, pupil: SimulatedPupil, rng: random.Random) -> Performance | None:
    notes = [step.note for step in tune]
    if len(tune) < 3 or len(set(notes)) == 1:  # one note over and over sounds the same from wherever it is taken up
        return None
    choices: list[tuple[int, int]] = []
    for _ in range(TRIED_RESTARTS):
        last = rng.randrange(1, len(tune) - 1)
        choices.append((last, 0 if rng.random() < 0.5 else max(last - rng.randint(*BACK), 0)))
    # Where a tune goes round in circles, going back can sound like going back elsewhere: the fewer ways, the better.
    last, place = min(choices, key=lambda choice: len(sounds_alike(notes, *choice)))
    pause_us = rng.randint(*PAUSE_US)
    stopped, again = tune[last], replace(tune[place], rest_us=0, graces=())
    if stopped.note == again.note or rng.random() < 0.5:  # hands off, or held on the last note
        again = replace(again, rest_us=pause_us)
    else:
        stopped = replace(stopped, hold_us=stopped.hold_us + pause_us)
    performance = perform(pupil, (*tune[:last], stopped, again, *tune[place + 1 :]), seed)
    after = performance.notes[last + 1]
    fault = PlantedFault(
        "restart", None, tune[last].note, after.note, after.t_us, pause_us, last + 1, tune[place].place,
        stopped_at=tune[last].place,
    )  # fmt: skip
    return replace(performance, faults=(fault,))


def sounds_alike(notes: list[int], stopped_at: int, place: int) -> list[tuple[int, int]]:
    """All (stopped at, place) of restarts that play the very same row of notes as this one, itself included."""
    length = stopped_at - place + 1  # of what is played again
    first = last = stopped_at
    while first >= length and notes[first] == notes[first - length]:
        first -= 1
    while last + 1 < len(notes) and notes[last + 1] == notes[last + 1 - length]:
        last += 1
    return [(stop, stop - length + 1) for stop in range(first, last + 1)]


def _slip(tune: Script, seed: int, pupil: SimulatedPupil, rng: random.Random) -> Performance | None:
    moments, stays = _moments(tune), _stays(tune)
    if not moments and not stays and not (moments := _heard_moments(tune)):
        return None
    if not moments or (stays and rng.random() < 0.5):
        number, finger, until = rng.choice(stays)
        performance = perform(pupil, tune, seed, [Plant("slip", number, finger, until=until)])
        back = next(e.t_us for e in performance.edges if e.change == until and e.finger == finger)
        (fault,) = performance.faults
        return replace(performance, faults=(replace(fault, by_us=back - fault.t_us),))
    plant = Plant("slip", *rng.choice(moments), rng.randint(*SLIP_US), rng.randint(*SLIP_AT_US))
    return perform(pupil, tune, seed, [plant])


def _silent(from_mask: int, to_mask: int, finger: int) -> bool:
    """Whether an idle finger can move at any moment of a change without being heard."""
    bit, moving = 1 << finger, from_mask ^ to_mask
    if moving & bit:
        return False
    some = moving
    while True:
        if SOUNDING[from_mask ^ some] != SOUNDING[from_mask ^ some ^ bit]:
            return False
        if not some:
            return True
        some = (some - 1) & moving


def _moments(tune: Script) -> list[tuple[int, int]]:
    """(number of the note, idle finger) for slips within one change."""
    return [
        (number, finger)
        for number in _plain(tune)
        for finger in range(8)
        if _silent(STANDARD[tune[number - 1].note], STANDARD[tune[number].note], finger)
    ]


def _heard_moments(tune: Script) -> list[tuple[int, int]]:
    """Where no finger can slip in silence: bottom-hand fingers whose slip sounds no usual grace note."""
    return [
        (number, finger)
        for number in _plain(tune)
        for finger in HEARD_SLIPS
        if STANDARD[tune[number - 1].note] & STANDARD[tune[number].note] & 1 << finger
    ]


def _stays(tune: Script) -> list[tuple[int, int, int]]:
    """(number of the first note, idle finger, number of the note at which it is back) for slips over several notes."""
    plain = set(_plain(tune))
    found = []
    for number in sorted(plain):
        for many in range(AWAY_NOTES[0], AWAY_NOTES[1] + 1):
            if not {*range(number, number + many + 1)} <= plain:
                break
            masks = [STANDARD[step.note] for step in tune[number - 1 : number + many + 1]]
            found += [
                (number, finger, number + many)
                for finger in fingers_of(0xFF)
                if all(_silent(one, other, finger) for one, other in pairwise(masks))
            ]
    return found


Planter = Callable[[Script, int, SimulatedPupil, random.Random], Performance | None]
# Each kind's planter, and why it finds no place where it finds none.
_PLANTERS: dict[PlantedKind, tuple[Planter, str]] = {
    "early": (partial(_finger, "early"), "in no plain change of this one can a third note sound"),
    "slow": (partial(_finger, "slow"), "in no plain change of this one can a third note sound"),
    "wrong": (_wrong, "every note of this one has grace notes beside it"),
    "restart": (_restart, "this one is too short, or the same note over and over"),
    "slip": (_slip, "this one has no plain change at which a finger is idle"),
}
