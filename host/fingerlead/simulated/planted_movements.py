"""Faults planted in the movements of a tune, the rest of it played cleanly. The same for a seed.

A movement is a written row of grace notes, counted from 1. `index` of a fault counts its written notes from 0.

missing, swallowed   a note does not sound, or for 6 ms; the finger is the one that should have moved for it
crushed, dragged     0.4 times its shortest length, or twice its longest, at the pace of the movement's other notes
uneven               of two notes that are meant alike, one is four times as long as the other; `index` is null
wrong note           a finger lifts or lowers as well, and another note sounds in the written one's place
extra catch          one note more, a low G; `index` is the note before which it sounds
stray inside         the finger leads or comes last by 25 ms, and a third note sounds; `index` is the note it leads to
false fingering      the right note, but for one finger
early, late          the whole movement begins 90 ms before or after its beat
left out, another    no grace note at all, or those of another movement
"""

import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple, get_args

from fingering.holes import fingers_of
from fingering.movements import forms_between, movements
from fingering.notes import LOW_G, SOUNDING
from fingering.table import standard_table
from fingerlead.simulated.grace_notes import GraceStep, grace_steps, range_us, roles_between, usual_us
from fingerlead.simulated.performance import MovementKind, Performance, PlantedFault
from fingerlead.simulated.planting import CLEAN, NotPlantableError
from fingerlead.simulated.play import perform
from fingerlead.simulated.pupil import STANDARD, SimulatedPupil
from fingerlead.simulated.script import Script, ScriptNote

MOVEMENT_KINDS: tuple[MovementKind, ...] = get_args(MovementKind)

PACE = 0.6  # of a movement with a fault: between a skilled player's and a learner's
SWALLOWED_US = 6_000
STRAY_US = 25_000
ASIDE_US = 90_000
CRUSHED, DRAGGED, UNEVEN = 0.4, 2.0, 4.0
ROOM = 0.7  # the most of the note after it that a movement with a fault takes
# A role that may be longer than this is held at will: no length of it is a fault to plant.
HELD_MS = 200


class MovementPlant(NamedTuple):
    """A fault to plant in movement number `movement`, counted from 1; on written note `note`, by lot if None."""

    kind: MovementKind
    movement: int
    note: int | None = None


class _Spoilt(NamedTuple):
    """A movement with its fault: where (None for the whole of it), whose finger, by how much."""

    steps: list[GraceStep]
    written: int | None = None
    finger: int | None = None
    by_us: int = 0
    aside_us: int = 0


def plant_movements(
    plants: Sequence[MovementPlant], tune: Script, seed: int, pupil: SimulatedPupil = CLEAN
) -> Performance:
    """The tune (see `script.tune_script`) played once over with these faults; raises NotPlantableError."""
    numbers = [at for at, step in enumerate(tune) if step.graces]
    if not numbers:
        raise NotPlantableError("expected a tune with movements to plant a fault in; this one has no grace notes")
    if len({plant.movement for plant in plants}) < len(plants):
        raise NotPlantableError("expected at most one fault for each movement: name another movement for the second")
    spoilt: dict[int, tuple[MovementPlant, _Spoilt]] = {}
    for plant in plants:
        if not 1 <= plant.movement <= len(numbers):
            raise NotPlantableError(f"expected a movement from 1 to {len(numbers)}; got {plant.movement}")
        at = numbers[plant.movement - 1]
        lot = random.Random(f"MovementPlant(kind={plant.kind!r}, movement={plant.movement}) {seed}")
        found = _spoil(plant.kind, tune[at - 1] if at else None, tune[at], lot, plant.note)
        if found is None:
            where = [n for n, at in enumerate(numbers, 1) if _can(plant.kind, tune, at)]
            there = f"in movement {_some(where)}" if where else "in no movement of this tune"
            raise NotPlantableError(
                f"expected a movement in which {plant.kind!r} can be planted; movement {plant.movement} has no place "
                f"for it: it can be {there}"
            )
        spoilt[at] = plant, found
    script = _merged([_step(step, spoilt[at][1] if at in spoilt else None) for at, step in enumerate(tune)])
    performance = perform(pupil, script, seed)
    faults = [_fault(*spoilt[at], tune, at, performance) for at in sorted(spoilt)]
    return replace(performance, faults=tuple(faults))


def _some(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers[:12])) + (" and more" if len(numbers) > 12 else "")


def _can(kind: MovementKind, tune: Script, at: int) -> bool:
    return _spoil(kind, tune[at - 1] if at else None, tune[at], random.Random(0)) is not None


def _step(step: ScriptNote, spoilt: _Spoilt | None) -> ScriptNote:
    if spoilt is None:
        return step
    return replace(step, graces=(), steps=tuple(spoilt.steps), aside_us=spoilt.aside_us)


def _merged(steps: Iterable[ScriptNote]) -> Script:
    """A script in which a note that nothing parts from the same note before it sounds on."""
    out: list[ScriptNote] = []
    for step in steps:
        if out and out[-1].note == step.note and not (step.graces or step.steps or step.rest_us):
            out[-1] = replace(out[-1], hold_us=out[-1].hold_us + step.hold_us)
        else:
            out.append(step)
    return tuple(out)


def _fault(plant: MovementPlant, spoilt: _Spoilt, tune: Script, at: int, performance: Performance) -> PlantedFault:
    step = tune[at]
    # Where the movement is left out between two notes alike, the first of them sounds through.
    note = max((n for n in performance.notes if (n.place or 0) <= at), key=lambda n: n.number)
    return PlantedFault(
        plant.kind, spoilt.finger, tune[at - 1].note, step.note, note.t_us + spoilt.aside_us, spoilt.by_us, note.number,
        step.place, movement=plant.movement, index=spoilt.written,
    )  # fmt: skip


def _spoil(
    kind: MovementKind,
    before: ScriptNote | None,
    after: ScriptNote,
    rng: random.Random,
    index: int | None = None,
) -> _Spoilt | None:
    """The movement before a note with a fault of a kind; None where it has no place for it."""
    if before is None or after.rest_us:
        return None
    masks = STANDARD[before.note], STANDARD[after.note]
    whole = grace_steps(*masks, after.graces, after.hold_us, PACE)
    if not whole:
        return None
    if kind == "left out":
        return _Spoilt([])
    if kind in ("early", "late"):
        if min(before.hold_us, after.hold_us) < 3 * ASIDE_US:
            return None
        return _Spoilt(whole, 0, None, ASIDE_US, ASIDE_US if kind == "late" else -ASIDE_US)
    choices = [
        one
        for one in _choices(kind, *masks, whole, after.hold_us)
        if (index is None or one.written == index)
        and _heard_otherwise(kind, *masks, one, whole)
        and sum(step.length_us for step in one.steps) <= ROOM * after.hold_us
    ]
    return rng.choice(choices) if choices else None


def _heard_otherwise(kind: MovementKind, from_mask: int, to_mask: int, one: _Spoilt, whole: list[GraceStep]) -> bool:
    """Whether no other movement sounds like this one with its fault, where notes are missing, other or too many."""
    notes = tuple(SOUNDING[step.covered_mask] for step in one.steps)
    ends = SOUNDING[from_mask], *notes, SOUNDING[to_mask]
    if any(a == b for a, b in pairwise(ends)):
        return False
    same = notes == tuple(SOUNDING[step.covered_mask] for step in whole)
    return same or kind == "another" or notes not in forms_between(ends[0], ends[-1])


def _choices(kind: MovementKind, from_mask: int, to_mask: int, whole: list[GraceStep], hold_us: int) -> list[_Spoilt]:
    masks = [from_mask, *(step.covered_mask for step in whole), to_mask]
    match kind:
        case "missing" | "swallowed":
            return list(_unheard(kind, masks, whole))
        case "crushed" | "dragged" | "uneven":
            return list(_lengths(kind, masks, whole))
        case "wrong note":
            return list(_wrong_notes(masks, whole))
        case "false fingering":
            return list(_false(whole))
        case "extra catch" | "stray inside":
            return list(_between(kind, masks, whole))
    return list(_others(masks, whole, hold_us))


def _only(fingers: Sequence[int]) -> int | None:
    return fingers[0] if len(fingers) == 1 else None


def _unheard(kind: MovementKind, masks: list[int], whole: list[GraceStep]) -> Iterable[_Spoilt]:
    for at, step in enumerate(whole):
        finger = _only(fingers_of(masks[at] ^ masks[at + 1]))
        if kind == "swallowed":
            yield _Spoilt(_with(whole, at, step._replace(length_us=SWALLOWED_US)), step.written, finger, SWALLOWED_US)
        elif len(whole) > 1:  # the only note of all is left out rather than missing
            yield _Spoilt([*whole[:at], *whole[at + 1 :]], step.written, finger, step.length_us)


def _lengths(kind: MovementKind, masks: list[int], whole: list[GraceStep]) -> Iterable[_Spoilt]:
    notes = [SOUNDING[mask] for mask in masks]
    roles = roles_between(notes[0], notes[-1], notes[1:-1])
    if len(roles) == 1:  # a note alone has no tempo that it could fall out of
        return
    for at, role in enumerate(roles):
        step = whole[at]
        if kind == "uneven":
            for other in range(at):
                if role.alike and roles[other].name == role.name:
                    long_us, short_us = round(step.length_us * UNEVEN**0.5), round(step.length_us / UNEVEN**0.5)
                    steps = _with(whole, at, step._replace(length_us=short_us))
                    steps = _with(steps, other, whole[other]._replace(length_us=long_us))
                    yield _Spoilt(steps, None, None, long_us - short_us)
        elif role.skilled[1] <= HELD_MS:
            # A movement before a short note is quicker as a whole.
            quicker = step.length_us / usual_us(role, PACE)
            least_us, most_us = (quicker * us for us in range_us(role, PACE))
            length_us = round(CRUSHED * least_us if kind == "crushed" else DRAGGED * most_us)
            by_us = round(least_us - length_us if kind == "crushed" else length_us - most_us)
            if length_us > SWALLOWED_US * 2:
                yield _Spoilt(_with(whole, at, step._replace(length_us=length_us)), step.written, None, by_us)


def _wrong_notes(masks: list[int], whole: list[GraceStep]) -> Iterable[_Spoilt]:
    for at, step in enumerate(whole):
        busy = (masks[at] ^ masks[at + 1]) | (masks[at + 1] ^ masks[at + 2])
        for finger in fingers_of(0xFF & ~busy):
            mask = step.covered_mask ^ 1 << finger
            if mask and SOUNDING[mask] != SOUNDING[step.covered_mask]:
                yield _Spoilt(_with(whole, at, step._replace(covered_mask=mask)), step.written, finger, step.length_us)


def _false(whole: list[GraceStep]) -> Iterable[_Spoilt]:
    table = standard_table()
    for at, step in enumerate(whole):
        for finger in fingers_of(0xFF):
            mask = step.covered_mask ^ 1 << finger
            if mask and SOUNDING[mask] == SOUNDING[step.covered_mask] and table.verdict(mask).fingering == "false":
                yield _Spoilt(_with(whole, at, step._replace(covered_mask=mask)), step.written, finger, step.length_us)


def _between(kind: MovementKind, masks: list[int], whole: list[GraceStep]) -> Iterable[_Spoilt]:
    """A note more before each note of the movement and before the note it leads to."""
    for at, (mask, there) in enumerate(pairwise(masks)):
        index = whole[at].written if at < len(whole) else None
        if kind == "extra catch":
            # A low G on the way, which the fingers that move can sound, is a stray.
            on_the_way = not (mask ^ 0xFF) & ~(mask ^ there)
            if at > 0 and not on_the_way and LOW_G not in (SOUNDING[mask], SOUNDING[there]):
                extra = GraceStep(0xFF, whole[at - 1].length_us, None)
                yield _Spoilt([*whole[:at], extra, *whole[at:]], index, _only(fingers_of(mask ^ 0xFF)), extra.length_us)
            continue
        moving = fingers_of(mask ^ there)
        for finger in moving if len(moving) > 1 else ():
            for stray in (mask ^ 1 << finger, there ^ 1 << finger):
                if stray and SOUNDING[stray] not in (SOUNDING[mask], SOUNDING[there]):
                    step = GraceStep(stray, STRAY_US, None)
                    yield _Spoilt([*whole[:at], step, *whole[at:]], index, finger, STRAY_US)


def _others(masks: list[int], whole: list[GraceStep], hold_us: int) -> Iterable[_Spoilt]:
    """Other movements that fit here and do not sound like this one."""
    from_note, to_note = SOUNDING[masks[0]], SOUNDING[masks[-1]]
    named = forms_between(from_note, to_note)
    this = named.get(tuple(SOUNDING[mask] for mask in masks[1:-1]))
    for movement in movements():
        if movement.on in (None, to_note) and movement.after in (None, from_note):
            steps = grace_steps(masks[0], masks[-1], movement.notes, hold_us)
            form = named.get(tuple(SOUNDING[step.covered_mask] for step in steps))
            if form and not form.left_out and (this is None or form.movement.name != this.movement.name):
                yield _Spoilt([step._replace(written=None) for step in steps])


def _with(steps: list[GraceStep], at: int, step: GraceStep) -> list[GraceStep]:
    return [*steps[:at], step, *steps[at + 1 :]]
