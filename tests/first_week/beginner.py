"""A beginner who learns by a law that was written down before the page that teaches: a second model to judge it by.

It shares no code with the program. A beginner has a habit in each change of note: how much each finger moves before or
after the instant that is meant, in µs, and a scatter around it. What changes them:

- practice: the scatter falls with the power of the number of tries (the power law of practice; the exponent and all
  sizes are from memory, no source for chanters is known), the habit a little by itself;
- advice, where it names a finger that moves in this change: the next tries pull that finger a share of the way to where
  the advice wants it. What names no finger, or one that does not move here, helps nothing;
- the night: a part of what a day gained is gone the next.

One who never improves keeps the habit and the scatter whatever is read. Times are µs; the same seed, the same person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random

from tests.reading.instrument import STANDARD, movers

# The habit at first: fingers of most changes come nearly together, one of some is far out, a roll in some others.
NEAR_US, FAR_US, FAR_SHARE = 18_000, (45_000, 240_000), 0.4
ROLL_US, ROLL_SHARE = (12_000, 45_000), 0.25
SCATTER_US, LEAST_SCATTER_US, POWER = (14_000, 26_000), 4_500, 0.35
BY_ITSELF, BY_ADVICE, NIGHT = 0.015, 0.3, 0.25
# How far "a hair ahead" or "a hair behind" is meant.
A_HAIR_US = 7_000
NOTE_US, PAUSE_US, READING_US = (600_000, 1_300_000), (2_000_000, 5_000_000), (800_000, 1_800_000)
WRONG_SHARE, PAUSE_SHARE = 0.03, 0.03
LEAK_SHARE, LEAK_US = 0.25, (150_000, 600_000)
NAMES = (
    "thumb", "top index", "top middle", "top ring", "bottom index", "bottom middle", "bottom ring", "bottom little",
)  # fmt: skip

Moves = list[tuple[int, int]]


@dataclass
class Habit:
    """In one change: where each finger is in time, how far it scatters, how often it was tried."""

    out_us: dict[int, float]
    scatter_us: float
    first_us: dict[int, float] = field(init=False)
    tries: int = 0

    def __post_init__(self) -> None:
        self.first_us = dict(self.out_us)

    @property
    def now_us(self) -> float:
        """The scatter after so many tries."""
        return max(LEAST_SCATTER_US, self.scatter_us * (1 + self.tries) ** -POWER)


class Beginner:
    """Hands with habits, and eyes that read sentences."""

    def __init__(self, seed: int, improves: bool = True) -> None:
        self.random, self.improves = Random(f"beginner of a week {seed}"), improves
        self.habits: dict[tuple[int, int], Habit] = {}
        self.mask = 0
        self._morning: dict[tuple[int, int], dict[int, float]] = {}

    # --- hands ---

    def take_up(self) -> Moves:
        """The hands come onto the chanter from nothing: fingers one by one, in any order, all holes covered at last."""
        fingers = self.random.sample(range(8), 8)
        return [self._moved(1 << finger, self.random.uniform(80_000, 250_000)) for finger in fingers]

    def put_down(self) -> Moves:
        """All fingers come off, one by one and at once in parts."""
        fingers = [finger for finger in range(8) if self.mask >> finger & 1]
        self.random.shuffle(fingers)
        return [self._moved(1 << finger, self.random.uniform(5_000, 90_000)) for finger in fingers]

    def play(self, note: int) -> Moves:
        """To a note from what is fingered now, and how long each state of the holes lasts; the note is held at last."""
        chance = self.random
        if chance.random() < WRONG_SHARE:
            wrong = min(8, max(0, note + chance.choice((-1, 1))))
            return [*self._change(wrong), self._held(), *self._change(note), self._held()]
        if chance.random() < PAUSE_SHARE:
            return [(self.mask, round(chance.uniform(*PAUSE_US))), *self._change(note), self._held()]
        return [*self._change(note), self._held()]

    def hold(self, note: int, for_us: int) -> Moves:
        """A note held long, as asked; at first a finger may slide off its hole for a moment."""
        habit = self._habit(note, note)
        habit.tries += 1
        moves = self._change(note)
        covered = [finger for finger in range(8) if STANDARD[note] >> finger & 1]
        if covered and self.random.random() < LEAK_SHARE / (1 + (habit.tries - 1) / 3 if self.improves else 1):
            finger = self.random.choice(covered)
            before_us = round(self.random.uniform(0.2, 0.7) * for_us)
            moves += [(self.mask, before_us), (self.mask ^ 1 << finger, round(self.random.uniform(*LEAK_US)))]
        return [*moves, (self.mask, round(for_us * self.random.uniform(0.95, 1.3)))]

    def _held(self) -> tuple[int, int]:
        return self.mask, round(self.random.uniform(*NOTE_US))

    def _moved(self, fingers: int, us: float) -> tuple[int, int]:
        self.mask ^= fingers
        return self.mask, round(us)

    def _change(self, note: int) -> Moves:
        """The states of the holes on the way to a note; the last of them, the note's own, is left to hold."""
        fingers = movers(self.mask, STANDARD[note])
        if not fingers:
            return []
        start = STANDARD.index(self.mask) if self.mask in STANDARD else None
        if start is None:
            self.mask = STANDARD[note]
            return []
        habit = self._habit(start, note)
        at_us = sorted((habit.out_us[f] + self.random.gauss(0, habit.now_us), f) for f in fingers)
        moves = []
        for (one_us, finger), (next_us, _) in pairwise(at_us):
            moves.append(self._moved(1 << finger, max(1_000, next_us - one_us)))
        self.mask ^= 1 << at_us[-1][1]
        if self.improves:
            habit.tries += 1
            for finger in fingers:
                habit.out_us[finger] *= 1 - BY_ITSELF
        return moves

    def _habit(self, before: int, after: int) -> Habit:
        if (before, after) not in self.habits:
            chance = self.random
            fingers = movers(STANDARD[before], STANDARD[after])
            out_us = {finger: chance.uniform(-NEAR_US, NEAR_US) / 2 for finger in fingers}
            if len(fingers) > 1:
                if chance.random() < FAR_SHARE:
                    out_us[chance.choice(fingers)] += chance.choice((-1, 1)) * chance.uniform(*FAR_US)
                elif chance.random() < ROLL_SHARE:
                    step_us, order = chance.uniform(*ROLL_US), chance.sample(fingers, len(fingers))
                    out_us = {finger: place * step_us for place, finger in enumerate(order)}
            self.habits[before, after] = Habit(out_us, chance.uniform(*SCATTER_US))
        return self.habits[before, after]

    # --- eyes ---

    def reading_us(self) -> int:
        """How long the eyes are on a sentence before the hands go on."""
        return round(self.random.uniform(*READING_US))

    def read(self, advice: str, before: int, after: int) -> None:
        """Take an advice on a change: the finger that it names goes with the others, or a hair ahead or behind."""
        habit = self._habit(before, after)
        finger = named_first(advice, list(habit.out_us))
        if not self.improves or finger is None or len(habit.out_us) < 2:
            return
        others = [us for one, us in habit.out_us.items() if one != finger]
        middle_us = sum(others) / len(others)
        hair_us = A_HAIR_US * (("behind" in advice) - ("ahead" in advice))
        for one, us in habit.out_us.items():
            wanted_us = middle_us + (hair_us if one == finger else 0)
            habit.out_us[one] = us + BY_ADVICE * (wanted_us - us)

    def sleep(self) -> None:
        """A night: a part of what the day gained is gone."""
        for key, habit in self.habits.items():
            was = self._morning.get(key, habit.first_us)
            habit.out_us = {finger: us + NIGHT * (was[finger] - us) for finger, us in habit.out_us.items()}
        self._morning = {key: dict(habit.out_us) for key, habit in self.habits.items()}


def named_first(sentence: str, fingers: Sequence[int]) -> int | None:
    """The first finger that a sentence names, of those that move; None where it names none of them."""
    places = {finger: sentence.lower().find(NAMES[finger]) for finger in fingers}
    found = [(place, finger) for finger, place in places.items() if place >= 0]
    return min(found)[1] if found else None
