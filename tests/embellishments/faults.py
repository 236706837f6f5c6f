"""The faults of learners, each as what a finger does to the steps of a movement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from random import Random

from tests.embellishments.forms import Step
from tests.reading.instrument import LETTERS, STANDARD, movers, sound_of
from tests.reading.repertoire import Movement

Planted = tuple[list["Step"], "Fault"]
Plant = Callable[[Movement, list["Step"], Random], Planted | None]
KINDS = (
    "missing",
    "swallowed",
    "crushed",
    "dragged",
    "uneven",
    "wrong note",
    "extra catch",
    "stray inside",
    "false fingering",
)
# How sure the program is told to be of a length, at both its edges together.
UNSURE_US = 5_000
# A movement of two notes has no tempo of its own to judge by: what is wrong in it is so at any tempo.
TOO_SHORT_US, TOO_LONG_US = (12_000, 15_000), (280_000, 360_000)
# The finger that learners lift in place of another, by the grace note: they sound the first and mean the second.
MISTAKEN = {"d": "eB", "e": "df", "f": "eg", "g": "fa", "a": "g"}


@dataclass(frozen=True, slots=True)
class Fault:
    """What was done wrong: at which of the written notes (any of `places` says it), by which of the fingers.

    `certain`: planted only where it is one beyond the uncertainty of the lengths.
    """

    kind: str
    places: frozenset[int]
    fingers: frozenset[int]
    certain: bool = False


def is_certainly_uneven(lengths_us: Sequence[float]) -> bool:
    """Whether the longest is more than twice the shortest, beyond the uncertainty of both: uneven to a teacher."""
    return max(lengths_us) - 2 * min(lengths_us) > (UNSURE_US**2 + (2 * UNSURE_US) ** 2) ** 0.5


def _with(steps: Sequence[Step], at: int, *put: Step, instead: int = 1) -> list[Step]:
    """The steps with some put in at a place, instead of as many."""
    return [*steps[:at], *put, *steps[at + instead :]]


def _place(movement: Movement, steps: Sequence[Step], at: int) -> int:
    """The written place of a step; after the last, that of the melody note, or of a grace note that merges with it."""
    merges = movement.written[-1] == LETTERS[movement.after]
    end = len(movement.written) - merges
    return next((one.written for one in steps[at:] if one.written is not None), end)


def is_free(movement: Movement, steps: Sequence[Step], at: int) -> bool:
    """Whether a note is neither long on purpose nor opens a throw."""
    step = steps[at]
    opens = at == 0 and "throw" in movement.name and step.hole == 8
    return not opens and not (movement.name == "cadence" and step.hole == 8)


def _strokes(movement: Movement, steps: list[Step], at: int) -> set[int]:
    """The fingers whose stroke makes a note: they move where it begins, and back where it ends.

    A grace note's is that of its own hole; a strike's is the finger of the hole that sounded, which covers it.
    """
    before = steps[at - 1].mask if at else STANDARD[movement.before]
    after = steps[at + 1].mask if at + 1 < len(steps) else STANDARD[movement.after]
    return set(movers(before, steps[at].mask)) & set(movers(steps[at].mask, after)) or {steps[at].hole}


def _missing(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    at = random.randrange(len(steps))
    if steps[at].hole < 8:
        fingers = _strokes(movement, steps, at)
    elif at and steps[at - 1].hole < 8:
        # The finger of the grace note before it did not come back in time.
        fingers = {steps[at - 1].hole}
    else:
        fingers = set(movers(STANDARD[movement.before] if at == 0 else steps[at - 1].mask, steps[at].mask))
    # Whichever of several is left out, where the same notes sound as long, nothing tells one from the other.
    same = [
        other for other in range(len(steps)) if _row(movement, _with(steps, other)) == _row(movement, _with(steps, at))
    ]
    places = frozenset(_place(movement, steps, other) for other in same)
    return _with(steps, at), Fault("missing", places, frozenset(fingers if len(same) == 1 else ()))


def _row(movement: Movement, steps: Sequence[Step]) -> list[tuple[int, int]]:
    """The notes that sound between the melody notes, each with how many steps make it."""
    sounds = [movement.before, *(step.sound for step in steps), movement.after]
    row = [(sound, len(list(alike))) for sound, alike in groupby(sounds)]
    return row[1:-1]


def _length(kind: str, factor: tuple[float, float], bounds_us: tuple[float, float]) -> Plant:
    def change(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
        at = random.randrange(len(steps))
        step = steps[at]
        if not is_free(movement, steps, at):
            return None
        lasts_us = step.lasts_us * random.uniform(*factor)
        if len(steps) < 3:
            lasts_us = random.uniform(*bounds_us)
        lasts_us = max(lasts_us, 12_000) if kind == "crushed" else lasts_us
        if kind == "swallowed":
            lasts_us = random.uniform(6_500, 9_000)
        fingers = _strokes(movement, steps, at) if step.hole < 8 else set(range(8))
        put = replace(step, lasts_us=lasts_us, marked=True)
        return _with(steps, at, put), Fault(kind, frozenset({_place(movement, steps, at)}), frozenset(fingers))

    return change


def _uneven(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    """Two notes of one sound of which one is more than twice as long, whatever the scatter of the fingers left of it.

    A pair within the uncertainty of twice cannot be told so by its definition: it is a way of its own, "barely uneven".
    """
    planted = _barely_uneven(movement, steps, random)
    return planted and (planted[0], replace(planted[1], certain=True))


def _barely_uneven(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    catches = [at for at, step in enumerate(steps) if step.hole == 8 and is_free(movement, steps, at)]
    pairs = [(a, b) for a in catches for b in catches if a != b and steps[a].sound == steps[b].sound]
    if not pairs or len(steps) < 3:
        return None
    short, long = random.choice(pairs)
    steps[short] = replace(steps[short], lasts_us=0.58 * steps[short].lasts_us, marked=True)
    steps[long] = replace(steps[long], lasts_us=1.55 * steps[long].lasts_us, marked=True)
    places = frozenset(_place(movement, steps, at) for at in (short, long))
    return steps, Fault("uneven", places, frozenset())


def _wrong(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    at = random.randrange(len(steps))
    step = steps[at]
    around = {
        steps[at - 1].sound if at else movement.before,
        steps[at + 1].sound if at + 1 < len(steps) else movement.after,
    }
    if step.hole < 8:
        letters = MISTAKEN.get(LETTERS[step.sound], "")
        sounds = [LETTERS.index(one) for one in letters]
    else:
        # Low A caught for low G: the little finger is open.
        sounds = [1] if step.sound == 0 else []
    sounds = [one for one in sounds if one not in around and one != step.sound]
    if not sounds:
        return None
    sound = random.choice(sounds)
    hole = 8 - sound
    mask = step.mask & ~(1 << hole) if step.hole == 8 else (step.mask | 1 << step.hole) & ~(1 << hole)
    if sound_of(mask) != sound:
        return None
    put = replace(step, mask=mask, hole=8 if step.hole == 8 else hole, marked=True)
    fingers = {hole} if step.hole == 8 else {hole, step.hole}
    return _with(steps, at, put), Fault("wrong note", frozenset({_place(movement, steps, at)}), frozenset(fingers))


def _extra(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    """A low G caught twice, by the little finger or by the grace note's finger; elsewhere a grace note lifted twice."""
    catches = [at for at, step in enumerate(steps) if step.sound == 0]
    graces = [at for at, step in enumerate(steps) if step.hole < 8]
    grace_us = min(step.lasts_us for step in steps)
    at = random.choice(catches or graces or [0])
    step = steps[at]
    if catches:
        # Within a strike the hand is not on low G: its little finger taps once more.
        hole = random.choice([7, 4]) if movement.shapes[at][1] == 0 else 7
        if 8 - hole in (movement.before, movement.after):
            # The hand may as well have gone back to the melody note, or on to it.
            return None
        lift = Step(step.mask & ~(1 << hole), grace_us, None, hole, marked=True)
        put = [step, lift, replace(step, written=None)]
    elif graces:
        hole = step.hole
        down = Step(step.mask | 1 << hole, max(0.6 * grace_us, 18_000), None, marked=True)
        put = [step, down, replace(step, written=None)]
    else:
        return None
    out = _with(steps, at, *put)
    # Wherever two sounds in a row taken out leave what was meant, these may be the ones too many: all sound the same.
    meant, row = [step.sound for step in steps], [step.sound for step in out]
    may_be = [first for first in range(len(row) - 1) if row[:first] + row[first + 2 :] == meant]
    places = {_place(movement, steps, first) for first in may_be}
    return out, Fault("extra catch", frozenset(places), frozenset({hole}))


def _stray(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    """A finger that comes late into a note, or early, so that a third note sounds."""
    masks = [STANDARD[movement.before], *(step.mask for step in steps), STANDARD[movement.after]]
    choices = []
    for at, (before, after) in enumerate(pairwise(masks)):
        moving = movers(before, after)
        if len(moving) < 2 or (at < len(steps) and steps[at].hole < 8):
            continue
        for finger in moving:
            for mask in (before ^ 1 << finger, after ^ 1 << finger):
                if sound_of(mask) not in (sound_of(before), sound_of(after)):
                    fingers = frozenset(moving if len(moving) == 2 else {finger})
                    choices.append((at, mask, fingers))
    if not choices:
        return None
    at, mask, fingers = random.choice(choices)
    put = Step(mask, random.uniform(20_000, 45_000), None, marked=True)
    fault = Fault("stray inside", frozenset({_place(movement, steps, at)}), fingers)
    return _with(steps, at, put, instead=0), fault


def _false(movement: Movement, steps: list[Step], random: Random) -> Planted | None:
    """An inner melody note with a finger that does not belong, which keeps its sound; and the grace note on it."""
    wrong = {2: (7,), 3: (6,), 4: (6, 7), 5: (4, 5, 6), 6: (4, 5, 6), 7: (4, 5, 6)}
    inner = [at for at, one in enumerate(steps) if one.hole == 8 and one.mask == STANDARD[movement.after] and at]
    inner = [at for at in inner if steps[at].sound in wrong]
    if not inner:
        return None
    at = random.choice(inner)
    finger = random.choice(wrong[steps[at].sound])
    places = {_place(movement, steps, at)}
    put = [replace(steps[at], mask=steps[at].mask ^ 1 << finger, marked=True)]
    if at + 1 < len(steps) and steps[at + 1].hole < 4:
        put.append(replace(steps[at + 1], mask=steps[at + 1].mask ^ 1 << finger))
        places.add(_place(movement, steps, at + 1))
    fault = Fault("false fingering", frozenset(places), frozenset({finger}))
    return _with(steps, at, *put, instead=len(put)), fault


PLANTS: dict[str, Plant] = {
    "missing": _missing,
    "swallowed": _length("swallowed", (0.2, 0.2), (6_500, 9_000)),
    "crushed": _length("crushed", (0.35, 0.42), TOO_SHORT_US),
    "dragged": _length("dragged", (2.6, 3.2), TOO_LONG_US),
    "uneven": _uneven,
    "barely uneven": _barely_uneven,
    "wrong note": _wrong,
    "extra catch": _extra,
    "stray inside": _stray,
    "false fingering": _false,
}
