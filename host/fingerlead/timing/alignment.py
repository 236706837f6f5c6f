"""A form of a movement laid against what sounded: which sound is which of its notes, and which note does not sound.

The cheapest way wins. A note that sounds already, or that is the note to come, merges with it: neither is missing.
"""

import math
from collections.abc import Mapping, Sequence
from functools import cache
from statistics import median
from typing import Any, Literal, NamedTuple

from fingering.moves import possible_strays
from fingerlead.timing.movement_takes import Sound

Step = Literal["note", "swallowed", "wrong", "missing", "merged", "added", "resumed", "unheard"]
# A wrong note is less than one missing and one too many, a stray between two notes less than a note too many. Of two
# that may be the one too many it is the low G.
_SWALLOWED, _WRONG, _MISSING, _STRAY, _ADDED_LOW_G, _ADDED = 90, 120, 100, 60, 100, 110
# Of two notes that may be the missing one it is that between two alike, where these sound as one that is as long as
# both: so much longer than the rest, each beside the usual length of its note.
_AS_ONE = 5
_LONG = 1.4
# Of two that may be the one too many it is the shorter, beside the usual length of its note.
_MOST_MORE = 4
_NEVER = 10_000
# A note so short is hardly one: it is as dear as one that is not heard, so that it takes the place of no other.
_HARDLY_US = 15_000


class Laid(NamedTuple):
    """One step: `note` is the place in the form (of what is added, of the note to come), `sound` that of the sound.

    `sound` is None where there is none; of what is missing it is then in `before` how many sounds come before it.
    """

    step: Step
    note: int
    sound: int | None
    before: int


def lay(
    form: tuple[int, ...], sounds: Sequence[Sound], from_note: int, to_note: int, usual_us: Sequence[float]
) -> tuple[int, tuple[Laid, ...]]:
    """The cost and the steps of the cheapest way to lay a form against sounds.

    `usual_us` has how long each note of the form usually is; only how they stand to each other counts.
    """
    straight = _straight(form, sounds, from_note, to_note)
    if straight is not None:
        return 0, straight
    count, stop = len(form), len(sounds)
    lasting = _lasting(sounds, dict(zip(form, usual_us, strict=True)))
    strays = possible_strays(from_note, to_note) if from_note != to_note else frozenset()
    following = [to_note] * (stop + 1)
    for at in range(stop - 1, -1, -1):
        following[at] = sounds[at].note if sounds[at].heard else following[at + 1]

    @cache
    def best(k: int, j: int, now: int, ahead: bool) -> tuple[int, tuple[Laid, ...]]:
        """The rest, from note `k` of the form and sound `j` on; `now` sounds, or the next one already (`ahead`)."""
        if k == count and j == stop:
            return 0, ()
        found: tuple[int, tuple[Laid, ...]] = _NEVER, ()

        def way(step: Step, cost: int, *after: Any) -> None:
            nonlocal found
            rest = best(*after)
            if cost + rest[0] < found[0]:
                found = cost + rest[0], (Laid(step, k, j if after[1] > j else None, j), *rest[1])

        sound = sounds[j] if j < stop else None
        if k < count:
            if sound is not None and form[k] == sound.note:
                hardly = _SWALLOWED if sound.length_us < _HARDLY_US else 0
                way("note" if sound.heard else "swallowed", hardly, k + 1, j + 1, sound.note, False)
            if form[k] == now and not ahead:
                way("merged", 0, k + 1, j, now, False)
            if form[k] == following[j]:
                way("merged", 0, k + 1, j, now, True)
            is_between = 0 < k < count - 1 and j > 0 and not ahead and form[k - 1] == form[k + 1] == now
            as_one = (-_AS_ONE if lasting[j - 1] > _LONG else _AS_ONE) if is_between else 0
            way("missing", _MISSING + as_one, k + 1, j, now, ahead)
            if sound is not None and sound.heard and form[k] != sound.note and not ahead:
                way("wrong", _WRONG, k + 1, j + 1, sound.note, False)
        if sound is not None and not sound.heard:
            way("unheard", 0, k, j + 1, now, ahead)
        elif sound is not None and not ahead:
            if sound.note == now:
                way("resumed", 0, k, j + 1, now, False)
            next_note = following[j + 1]
            is_stray = sound.note in strays or (now != next_note and sound.note in possible_strays(now, next_note))
            added = _STRAY if is_stray else _ADDED if sound.note else _ADDED_LOW_G
            way("added", added + min(round(2 * lasting[j]), _MOST_MORE), k, j + 1, now, False)
        return found

    return best(0, 0, from_note, False)


def _lasting(sounds: Sequence[Sound], usual_us: Mapping[int, float]) -> list[float]:
    """How long each sound lasts beside the rest of them, each beside the usual length of its note."""
    ratios = [sound.length_us / usual_us.get(sound.note, math.inf) for sound in sounds]
    rest = [[ratio for other, ratio in enumerate(ratios) if other != at and ratio] for at in range(len(ratios))]
    return [ratio / (median(others) if others else 1) for ratio, others in zip(ratios, rest, strict=True)]


def _straight(form: tuple[int, ...], sounds: Sequence[Sound], from_note: int, to_note: int) -> tuple[Laid, ...] | None:
    """The steps where what was heard is the form as it sounds, None elsewhere."""
    heard = [at for at, sound in enumerate(sounds) if sound.heard]
    first = bool(form) and form[0] == from_note and not (heard and sounds[heard[0]].note == from_note)
    last = len(form) > first and form[-1] == to_note and not (heard and sounds[heard[-1]].note == to_note)
    inner = form[first : len(form) - last]
    if len(inner) != len(heard) or any(sounds[at].note != note for at, note in zip(heard, inner, strict=True)):
        return None
    return tuple(Laid("note", place, at, at) for place, at in enumerate(heard, int(first)))
