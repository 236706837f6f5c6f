"""From a pupil and a script to finger edges: the human part, scatter and faults included. Pure; the same for a seed."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from fingering.holes import fingers_of
from fingering.notes import HIGH_G, SOUNDING
from fingerlead.simulated.grace_notes import grace_steps
from fingerlead.simulated.performance import (
    Edge,
    FaultKind,
    Motion,
    Performance,
    PerformedNote,
    PlantedFault,
    PlayedGrace,
    Tremble,
)
from fingerlead.simulated.pupil import STANDARD, SimulatedPupil, check, troublesome
from fingerlead.simulated.script import Script, ScriptNote

# The share of a hold, on either side of a change, that the change's edges may use.
ROOM = 0.35
GRACE_FINGER = 1
GRACE_US = (25_000, 45_000)
SLIP_US = (15_000, 45_000)
SHORTEST_WITH_EXTRAS_US = 220_000
CLIP = 3.0


@dataclass(frozen=True, slots=True)
class Plant:
    """A finger that is to go astray in the change to note number `change`.

    early, slow: first or last of the change's fingers, by `by_us`. slip: an idle finger that moves `after_us` after the
    change's time and comes back `by_us` later or, with `until`, stays away until the change to that note.
    """

    kind: FaultKind
    change: int
    finger: int
    by_us: int = 0
    after_us: int = 0
    until: int | None = None


class _Player:
    def __init__(self, pupil: SimulatedPupil, seed: int, plants: Sequence[Plant]) -> None:
        self.pupil = pupil
        self.plants = plants
        self.rng = random.Random(f"fingers {seed}")
        self.edges: list[Edge] = []
        self.faults: list[PlantedFault] = []
        self.graces: list[PlayedGrace] = []
        self.trembles: list[Tremble] = []

    def happens(self, chance: float) -> bool:
        return chance > 0 and self.rng.random() < chance

    def scatter(self, deviation_us: float) -> int:
        return round(min(max(self.rng.gauss(0.0, deviation_us), -CLIP * deviation_us), CLIP * deviation_us))

    def settle(self, number: int, note: int) -> int:
        """The mask on which the pupil settles for a note."""
        mask = STANDARD[note]
        for plant in self.plants:
            if plant.until is not None and plant.change <= number < plant.until:
                mask ^= 1 << plant.finger
        for wrong in self.pupil.wrong_fingers:
            other = mask ^ 1 << wrong.finger
            if wrong.note == note and SOUNDING[other] == note and self.happens(wrong.chance):
                mask = other
        return mask

    def change(self, before: PerformedNote, after: PerformedNote, hold_before_us: int, hold_after_us: int) -> int:
        """Play one change; returns how much longer the note after it must be held because of it."""
        offsets = self._offsets(before, after, round(ROOM * hold_before_us), round(ROOM * hold_after_us))
        longer_us = self._lag(before, after, offsets) + self._planted(before, after, offsets)
        for finger, offset_us in offsets.items():
            self._edge(after.t_us + offset_us, finger, _motion(before.covered_mask, finger), after)
        if min(hold_before_us, hold_after_us) >= SHORTEST_WITH_EXTRAS_US:
            self._extras(before, after)
        return longer_us

    def _edge(self, t_us: int, finger: int, motion: Motion, after: PerformedNote) -> None:
        self.edges.append(Edge(t_us, finger, motion, after.number))

    def _fault(
        self, kind: FaultKind, finger: int, before: PerformedNote, after: PerformedNote, t_us: int, by_us: int
    ) -> None:
        self.faults.append(PlantedFault(kind, finger, before.note, after.note, t_us, by_us, after.number, after.place))

    def _offsets(self, before: PerformedNote, after: PerformedNote, back_us: int, on_us: int) -> dict[int, int]:
        """When each moving finger moves, from the change's own time."""
        pupil = self.pupil
        first, last = _careful(before, after)
        offsets: dict[int, int] = {}
        for finger in fingers_of(before.covered_mask ^ after.covered_mask):
            offset_us = self.scatter(pupil.scatter_us[finger])
            if (first is not None and finger != first) or finger == last:
                offset_us += pupil.care_us
            bent_us = 0
            motion = _motion(before.covered_mask, finger)
            for habit in pupil.habits:
                if habit.fits(finger, before.note, after.note, motion) and self.happens(habit.chance):
                    bent_us += habit.by_us
            offset_us = min(max(offset_us + bent_us, -back_us), on_us)
            if bent_us:
                kind: FaultKind = "early" if bent_us < 0 else "late"
                self._fault(kind, finger, before, after, after.t_us + offset_us, abs(bent_us))
            offsets[finger] = offset_us
        return offsets

    def _lag(self, before: PerformedNote, after: PerformedNote, offsets: dict[int, int]) -> int:
        """Perhaps leave one finger so far behind that a third note sounds meanwhile."""
        late = [finger for finger, _, sign in troublesome(before.covered_mask, after.covered_mask) if sign > 0]
        if not late or not self.happens(self.pupil.slow):
            return 0
        finger, by_us = self.rng.choice(late), self.rng.randint(*self.pupil.slow_us)
        offsets[finger] = max(offsets.values()) + by_us
        self._fault("slow", finger, before, after, after.t_us + offsets[finger], by_us)
        return by_us

    def _planted(self, before: PerformedNote, after: PerformedNote, offsets: dict[int, int]) -> int:
        """What is planted in this change; returns how much longer the note after it must be held because of it."""
        longer_us = 0
        for plant in self.plants:
            if plant.change != after.number:
                continue
            if plant.kind == "early":
                offsets[plant.finger] = min(t for f, t in offsets.items() if f != plant.finger) - plant.by_us
            elif plant.kind == "slow":
                offsets[plant.finger] = max(t for f, t in offsets.items() if f != plant.finger) + plant.by_us
                longer_us = plant.by_us
            elif plant.until is None:
                self._slip(before, after, plant.finger, after.t_us + plant.after_us, plant.by_us)
                continue
            self._fault(plant.kind, plant.finger, before, after, after.t_us + offsets[plant.finger], plant.by_us)
        return longer_us

    def rest(self, before: PerformedNote, after: PerformedNote, rest_us: int) -> None:
        """Hands off, and on again at the note after."""
        for mask, t_us in ((before.covered_mask, after.t_us - rest_us), (after.covered_mask, after.t_us)):
            for finger in fingers_of(mask):
                offset_us = self.scatter(min(self.pupil.scatter_us[finger], rest_us / (4 * CLIP)))
                self._edge(t_us + offset_us, finger, "lift" if t_us < after.t_us else "lower", after)

    def graces_before(self, before: PerformedNote, after: PerformedNote, step: ScriptNote) -> None:
        """Play the grace notes of a tune and settle on the note after them, the fingers of each step together."""
        masks = before.covered_mask, after.covered_mask
        mask, t_us = before.covered_mask, after.t_us + step.aside_us
        for grace in step.steps or grace_steps(*masks, step.graces, step.hold_us):
            self._together(mask, grace.covered_mask, t_us, after)
            note = SOUNDING[grace.covered_mask]
            self.graces.append(PlayedGrace(t_us, grace.length_us, after.note, after.number, note))
            mask, t_us = grace.covered_mask, t_us + grace.length_us
        self._together(mask, after.covered_mask, t_us, after)

    def _together(self, from_mask: int, to_mask: int, t_us: int, after: PerformedNote) -> None:
        for finger in fingers_of(from_mask ^ to_mask):
            self._edge(t_us, finger, _motion(from_mask, finger), after)

    def _extras(self, before: PerformedNote, after: PerformedNote) -> None:
        idle = [f for f in range(8) if not (before.covered_mask ^ after.covered_mask) >> f & 1]
        grace_bit = 1 << GRACE_FINGER
        if (
            GRACE_FINGER in idle
            and before.covered_mask & grace_bit
            and max(before.note, after.note) < HIGH_G
            and self.happens(self.pupil.graces)
        ):
            start_us = after.t_us - self.rng.randint(0, 8_000)
            duration_us = self.rng.randint(*GRACE_US)
            self._edge(start_us, GRACE_FINGER, "lift", after)
            self._edge(start_us + duration_us, GRACE_FINGER, "lower", after)
            self.graces.append(PlayedGrace(start_us, duration_us, after.note, after.number))
            idle.remove(GRACE_FINGER)
        if idle and self.happens(self.pupil.slips):
            finger, after_us = self.rng.choice(idle), self.rng.randint(-20_000, 25_000)
            self._slip(before, after, finger, after.t_us + after_us, self.rng.randint(*SLIP_US))

    def _slip(self, before: PerformedNote, after: PerformedNote, finger: int, start_us: int, by_us: int) -> None:
        away = _motion(before.covered_mask, finger)
        self._edge(start_us, finger, away, after)
        self._edge(start_us + by_us, finger, "lower" if away == "lift" else "lift", after)
        self._fault("slip", finger, before, after, start_us, by_us)

    def hold(self, before: PerformedNote, note: PerformedNote, end_us: int) -> None:
        """What may happen while a note is held."""
        hold_us = end_us - note.t_us
        for finger in fingers_of(note.covered_mask ^ STANDARD[note.note]):
            if not any(p.until is not None and p.finger == finger for p in self.plants):
                self._fault("false", finger, before, note, note.t_us, hold_us)
        covered = fingers_of(note.covered_mask)
        if covered and self.happens(self.pupil.trembles):
            start_us, length_us = note.t_us + round(0.55 * hold_us), round(0.1 * hold_us)
            finger = self.rng.choice(covered)
            self.trembles.append(Tremble(finger, start_us, start_us + length_us))
            self._fault("tremble", finger, before, note, start_us, length_us)


def _motion(mask: int, finger: int) -> Motion:
    return "lift" if mask >> finger & 1 else "lower"


def _careful(before: PerformedNote, after: PerformedNote) -> tuple[int | None, int | None]:
    """The finger that a careful player moves first on the way up, and the one moved last on the way down."""
    if after.note > before.note:
        lifts = fingers_of(before.covered_mask & ~after.covered_mask)
        return (lifts[0] if lifts else None), None
    lowers = fingers_of(after.covered_mask & ~before.covered_mask)
    return None, (lowers[0] if lowers else None)


def _run_together(before: ScriptNote, after: ScriptNote) -> bool:
    return (
        before.note == after.note
        and not (after.rest_us or after.steps)
        and all(grace == after.note for grace in after.graces)
    )


def perform(pupil: SimulatedPupil, script: Script, seed: int, plants: Sequence[Plant] = ()) -> Performance:
    """Play a script of at least one step; ValueError for a script or pupil it cannot play.

    A note may come twice in a row only with a grace note or a rest between.
    """
    check(pupil)
    if not script or any(_run_together(a, b) for a, b in pairwise(script)):
        raise ValueError("expected a script of at least one note that repeats none at once")
    player = _Player(pupil, seed, plants)
    notes = [PerformedNote(0, script[0].note, player.settle(0, script[0].note), 0, script[0].place)]
    t_us = script[0].hold_us
    for number, (step_before, step) in enumerate(pairwise(script), start=1):
        before = notes[-1]
        player.hold(notes[-2] if number > 1 else before, before, t_us)
        t_us += step.rest_us
        after = PerformedNote(number, step.note, player.settle(number, step.note), t_us, step.place)
        longer_us = 0
        if step.rest_us:
            player.rest(before, after, step.rest_us)
        elif step.graces or step.steps:
            player.graces_before(before, after, step)
        else:
            longer_us = player.change(before, after, step_before.hold_us, step.hold_us)
        notes.append(after)
        t_us += step.hold_us + longer_us
    player.hold(notes[-2] if len(notes) > 1 else notes[0], notes[-1], t_us)
    return Performance(
        pupil=pupil.name,
        seed=seed,
        start_mask=notes[0].covered_mask,
        edges=tuple(sorted(player.edges)),
        notes=tuple(notes),
        faults=tuple(sorted(player.faults, key=lambda fault: fault.t_us)),
        graces=tuple(player.graces),
        trembles=tuple(player.trembles),
        end_us=t_us,
        travel_us=pupil.travel_us,
    )
