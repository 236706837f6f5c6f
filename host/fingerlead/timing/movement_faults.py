"""The judge of movements: what a teacher hears in one, note by note.

Question: of all that sounded between two melody notes, which of the movement's notes are missing, too short, too long
or wrong, and what sounded besides? Which finger it was is asked by `movement_proof`.

Each fault is told only beyond the combined uncertainty of the two edges of what sounded. Where that is too great to
tell, nothing is told, and the judgement is not `sure`.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations
from statistics import median
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.movements import FaultKind
from fingering.moves import possible_strays
from fingerlead.timing.alignment import Laid, Step, lay
from fingerlead.timing.edge_errors import EdgeErrors, apart_us
from fingerlead.timing.measure import lengths_unsure_us
from fingerlead.timing.movement_takes import AcceptedForm, MovementTake, Sound, joined
from fingerlead.timing.movement_tempo import (
    FASTEST,
    MeasuredNote,
    range_us,
    tempo_around,
    tempos_of,
    usual_length_us,
)
from fingerlead.timing.results import MovementFault
from fingerlead.timing.timeline import TOP_OPEN_BIT, Geometry

# Notes that are meant to be alike differ by no more than this factor.
UNEVEN = 2.0
# What sensors chatter between the notes is of no use beyond so many sounds.
MOST_SOUNDS = 40
# What another form than the written one costs more, where neither is all that sounded.
OTHER_FORM = 50
# The role of the melody note where it sounds inside.
MELODY_ROLE = "inner"
HARMLESS: tuple[Step, ...] = ("note", "merged", "resumed", "unheard")


class FoundFault(NamedTuple):
    """A fault, and the sound in which it lies: its place among the `sounds`, or of the first after what is missing."""

    fault: MovementFault
    at: int

    def begins_us(self, sounds: Sequence[Sound]) -> int:
        """When it begins; after the last of the sounds, when that ends."""
        return sounds[self.at].start_us if self.at < len(sounds) else sounds[-1].end_us

    @property
    def key(self) -> tuple[FaultKind, int]:
        """What makes it this fault and no other."""
        return self.fault.kind, self.fault.note


@dataclass(frozen=True, slots=True)
class JudgedTake:
    """What the judge says of a take: the form it is taken for, its tempo, its measured notes and its faults in order.

    `sounds` are those of the take, one note being one sound. `sure` is False where something may be missing and the
    uncertainty is too great to say.
    """

    form: AcceptedForm
    sounds: tuple[Sound, ...]
    tempo: float
    notes: tuple[MeasuredNote, ...]
    faults: tuple[FoundFault, ...]
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Timeline:
    """The timeline that takes lie in, from edge number `before` on, and the errors of its timeline.

    `pace` is the tempo of the playing around the take, None where that tells none.
    """

    edge_us: NDArray[np.int64]
    covered: NDArray[np.uint8]
    before: int
    errors: EdgeErrors
    geometry: Geometry
    heard_us: int
    bounce_us: int
    pace: float | None = None

    def grounds(self, take: MovementTake) -> Hashable:
        """All of the timeline that a take's judgement hangs on: its edges, their errors and the pace around it."""
        first, last = take.first - self.before, take.last - self.before
        times = self.edge_us[first : last + 1]
        covered = self.covered[first : last + 1]
        return times.tobytes(), covered.tobytes(), self.errors.between(times[0], times[-1]), self.pace

    def unsure_us(self, sounds: Sequence[Sound]) -> list[float]:
        """The uncertainty of each sound's length."""
        start_us, end_us = (np.array([getattr(s, name) for s in sounds], np.int64) for name in ("start_us", "end_us"))
        found: list[float] = lengths_unsure_us(start_us, end_us, self.edge_us, self.covered, self.errors).tolist()
        return found

    def unsure_at(self, at_us: int) -> float:
        """The uncertainty of a length that would begin with one motion at a time and end with the other."""
        one, other = self.errors.of(np.array([at_us, at_us]), np.zeros(2, np.int64), np.array([True, False]))
        return float(apart_us(one[:1], other[:1], one[1:], other[1:])[0])


def judge(take: MovementTake, timeline: Timeline) -> JudgedTake:
    """A take, judged by the form that it fits best; of forms that sound alike, by the one that is played best."""
    found: list[JudgedTake] = []
    least: int | None = None
    for number, form in enumerate(take.forms):
        cost, steps, sounds = _laid(take, form, timeline)
        # What is written is meant, unless another form is far nearer.
        cost += OTHER_FORM * (cost > 0 and number > 0)
        if least is None or cost < least:
            least, found = cost, []
        if cost == least and (not found or form.notes == found[0].form.notes or (not cost and not _may_be_held(form))):
            found.append(_judged(take, form, steps, sounds, timeline))
            if not cost and not found[-1].faults:
                return found[-1]
    return min(found, key=lambda one: len(one.faults))


def _may_be_held(form: AcceptedForm) -> bool:
    """Whether a note of the form may be long on purpose."""
    return any(role.name == "held" for role in form.roles)


def _laid(take: MovementTake, form: AcceptedForm, timeline: Timeline) -> tuple[int, tuple[Laid, ...], list[Sound]]:
    """A form laid against what sounded, one note that something unheard interrupts being one, or two."""
    ways = []
    usual_us = [usual_length_us(role, timeline.pace) for role in form.roles] or [1.0] * len(form.notes)
    for sounds in (joined(take.sounds), list(take.sounds)):
        kept = _of_use(sounds, form.notes, timeline.bounce_us)
        cost, steps = lay(form.notes, kept, take.from_note, take.to_note, usual_us)
        ways.append((cost, steps, kept))
        if not cost or len(sounds) == len(take.sounds):
            break
    return min(ways, key=lambda way: way[0])


def _judged(
    take: MovementTake, form: AcceptedForm, steps: Sequence[Laid], sounds: list[Sound], timeline: Timeline
) -> JudgedTake:
    """The faults of a take that is laid against a form."""
    at = {one.note: one.sound for one in steps if one.sound is not None and one.step == "note"}
    # Beside a note that is missing another lasts the longer, or has its finger: that is no fault of its own.
    beside = {one.note + by for one in steps if one.step in ("missing", "swallowed") for by in (-1, 1)}
    notes = [
        MeasuredNote(place, form.roles[place], sounds[sound].length_us)
        for place, sound in at.items()
        if form.roles and place not in beside
    ]
    tempo, faults, sure = _lengths(notes, at, sounds, timeline)
    if any(one.step not in HARMLESS for one in steps):
        other, heard = _notes(take, form, steps, sounds, tempo, timeline)
        faults, sure = faults + other, sure and heard
    faults += _fingerings(take, form, {p: sound for p, sound in at.items() if p not in beside}, sounds, timeline)
    faults.sort(key=lambda one: one.fault.note)
    return JudgedTake(form, tuple(sounds), tempo, tuple(notes), tuple(faults), sure)


def _of_use(sounds: list[Sound], notes: Sequence[int], bounce_us: int) -> list[Sound]:
    """What was heard, and of the rest what may be one of the notes, hardly heard."""
    kept = [sound for sound in sounds if sound.heard or (sound.note in notes and sound.length_us >= bounce_us)]
    return kept if len(kept) <= MOST_SOUNDS else [sound for sound in kept if sound.heard]


def _lengths(
    notes: list[MeasuredNote], at: dict[int, int], sounds: Sequence[Sound], timeline: Timeline
) -> tuple[float, list[FoundFault], bool]:
    """The tempo, and which notes are crushed, dragged or uneven in it; and whether that is sure."""
    if not notes:
        return 0.0, [], True
    own = tempos_of(notes, timeline.pace)
    tempos = own if timeline.pace is None else [tempo_around(notes, timeline.pace)]
    groups = [
        group
        for role in {note.role for note in notes if note.role.alike}
        if len(group := [note for note in notes if note.role is role]) > 1
    ]
    tempo = median(tempos)
    even = all(
        max(note.length_us for note in group) <= UNEVEN * min(note.length_us for note in group) for group in groups
    )
    if even and not _outside(notes, tempo, timeline):
        return tempo, [], True
    unsure = timeline.unsure_us([sounds[at[note.place]] for note in notes])
    notes = [note._replace(unsure_us=us) for note, us in zip(notes, unsure, strict=True)]
    outside = [_outside(notes, one, timeline) for one in tempos]
    if tempos != own and 2 * len(outside[0]) > len(notes) > 1:
        # Where most are out of place at the pace around it, the movement has another of its own.
        tempos, outside = own, [_outside(notes, one, timeline) for one in own]
    # Of two tempos one may be right for all. Else one note is too short or another too long, and nothing says which.
    sure = len(tempos) == 1 or not all(outside)
    faults = [_found(kind, note, at) for note, kind in outside[0].items()] if len(tempos) == 1 else []
    for group in groups:
        alike = [note for note in notes if note.role is group[0].role]
        odd = _uneven(alike, median(own))
        if odd is not None:
            # Where one is told to be out of place it is that one, and not one that is as it should be.
            told = [note for note in alike if len(tempos) == 1 and note in outside[0]]
            faults.append(_found("uneven", odd if odd in told else next(iter(told), odd), at))
    return median(tempos), faults, sure


def _outside(notes: Sequence[MeasuredNote], tempo: float, timeline: Timeline) -> dict[MeasuredNote, FaultKind]:
    """The notes that are too short or too long at a tempo."""
    signs = {note: note.outside(tempo, timeline.pace) for note in notes}
    return {note: "crushed" if sign < 0 else "dragged" for note, sign in signs.items() if sign}


def _found(kind: FaultKind, note: MeasuredNote, at: dict[int, int]) -> FoundFault:
    return FoundFault(MovementFault(kind, note.place, None, note.length_us), at[note.place])


def _uneven(group: Sequence[MeasuredNote], tempo: float) -> MeasuredNote | None:
    """The note that is unlike the others of its role, where two of them differ by more than the factor."""
    for one, other in combinations(group, 2):
        short, long = sorted((one, other), key=lambda note: note.length_us)
        beyond_us = long.length_us - UNEVEN * short.length_us
        if beyond_us > (long.unsure_us**2 + (UNEVEN * short.unsure_us) ** 2) ** 0.5:
            break
    else:
        return None
    # Of more than two the rest say how long they are meant, of two the tempo.
    meant_us = median(note.length_us for note in group) if len(group) > 2 else usual_length_us(group[0].role, tempo)
    return max(group, key=lambda note: max(note.length_us / meant_us, meant_us / note.length_us))


def _notes(
    take: MovementTake,
    form: AcceptedForm,
    steps: Sequence[Laid],
    sounds: Sequence[Sound],
    tempo: float,
    timeline: Timeline,
) -> tuple[list[FoundFault], bool]:
    """What is missing, hardly heard, wrong or too many; and whether that is sure."""
    faults: list[FoundFault] = []
    sure = True
    for one in steps:
        sound = None if one.sound is None else sounds[one.sound]
        if one.step == "missing":
            if not _may_have_sounded(take, form, one, sounds, tempo, timeline):
                faults.append(FoundFault(MovementFault("missing", one.note, None, 0), one.before))
            else:
                sure = False
        elif one.step == "swallowed" and sound is not None and one.sound is not None:
            if sound.length_us + timeline.unsure_us([sound])[0] < _least_us(form, one.note, tempo):
                fault = MovementFault("swallowed", one.note, None, sound.length_us)
                faults.append(FoundFault(fault, one.sound))
            else:
                sure = False
        elif one.step in ("wrong", "added") and sound is not None and one.sound is not None:
            if sound.length_us < timeline.unsure_us([sound])[0]:
                # It may not have sounded at all; where it stands for another note, that is not sure then.
                sure &= one.step == "added"
                continue
            kind: FaultKind = "wrong note" if one.step == "wrong" else _added(take, one.sound, sounds)
            fault = MovementFault(kind, one.note, None, sound.length_us, sound.note)
            faults.append(FoundFault(fault, one.sound))
    return faults, sure


def _may_have_sounded(
    take: MovementTake, form: AcceptedForm, one: Laid, sounds: Sequence[Sound], tempo: float, timeline: Timeline
) -> bool:
    """Whether a note that is missing may have sounded for its least, where edges are so uncertain.

    It cannot where the fingers that moved there make no such note in any order.
    """
    note_before = sounds[one.before - 1].note if one.before else take.from_note
    note_after = sounds[one.before].note if one.before < len(sounds) else take.to_note
    if note_before == note_after or form.notes[one.note] not in possible_strays(note_before, note_after):
        return False
    if one.before < len(sounds):
        at_us = sounds[one.before].start_us
    else:
        at_us = sounds[-1].end_us if sounds else int(timeline.edge_us[take.first - timeline.before])
    return timeline.unsure_at(at_us) >= _least_us(form, one.note, tempo)


def _least_us(form: AcceptedForm, place: int, tempo: float) -> float:
    """How long a note sounds at least."""
    return range_us(form.roles[place], max(tempo, FASTEST))[0] if form.roles else float("inf")


def _added(take: MovementTake, at: int, sounds: Sequence[Sound]) -> FaultKind:
    """What sounds too many: a catch where the hand goes back to where it was, else a stray of the change."""
    before = next((sounds[place].mask for place in range(at - 1, -1, -1) if sounds[place].heard), take.from_mask)
    after = next((sound.mask for sound in sounds[at + 1 :] if sound.heard), take.to_mask)
    note_before = next((sounds[place].note for place in range(at - 1, -1, -1) if sounds[place].heard), take.from_note)
    note_after = next((sound.note for sound in sounds[at + 1 :] if sound.heard), take.to_note)
    if before == after or note_before == note_after:
        return "extra catch"
    # A finger that is put where neither of the two notes has it makes a note of its own.
    moved = (sounds[at].mask ^ before) & (sounds[at].mask ^ after)
    return "extra catch" if moved else "stray inside"


def _fingerings(
    take: MovementTake, form: AcceptedForm, at: dict[int, int], sounds: Sequence[Sound], timeline: Timeline
) -> list[FoundFault]:
    """The notes that sound right with wrong fingers."""
    faults = []
    for place, sound_at in at.items():
        sound = sounds[sound_at]
        is_melody = bool(form.roles) and form.roles[place].name == MELODY_ROLE
        mask, lasts_us = _standing(sound, timeline)
        # A grace note is right as soon as it settles on fingers that are.
        masks = {mask} if is_melody else {mask, sound.mask}
        right = any(is_right(one, take, form.notes, timeline.geometry, is_melody=is_melody) for one in masks)
        if right or lasts_us < timeline.heard_us or _is_on_the_way(take, mask, sound_at, sounds):
            continue
        if lasts_us > timeline.unsure_us([sound])[0]:
            faults.append(FoundFault(MovementFault("false fingering", place, None, sound.length_us), sound_at))
    return faults


def _is_on_the_way(take: MovementTake, mask: int, at: int, sounds: Sequence[Sound]) -> bool:
    """Whether the hand changes while a grace note sounds: each other finger stands as before it, or as after it."""
    before = next((sounds[place].mask for place in range(at - 1, -1, -1) if sounds[place].heard), take.from_mask)
    after = next((sound.mask for sound in sounds[at + 1 :] if sound.heard), take.to_mask)
    return sounds[at].note > take.to_note and not (mask ^ before) & (mask ^ after) & ~TOP_OPEN_BIT[mask]


def is_right(
    mask: int, take: MovementTake, form: tuple[int, ...], geometry: Geometry, *, is_melody: bool = False
) -> bool:
    """Whether a mask within a movement is of the chart, or one finger away from a note that the hand may stand on.

    That is the one that makes the note: lifted, as for a grace note, or covering the hole that sounded, as in a strike.
    Where the melody note itself sounds inside (`is_melody`), nothing but the chart is right.
    """
    standard = geometry.standard.tolist()
    if mask in standard or mask in geometry.alternates:
        return True
    if is_melody:
        return False
    bases = {take.from_mask, take.to_mask, *(standard[note] for note in (take.from_note, take.to_note, *form))}
    lift = mask | TOP_OPEN_BIT[mask]
    return mask in bases or lift in bases or any(mask == base | TOP_OPEN_BIT[base] for base in bases)


def _standing(sound: Sound, timeline: Timeline) -> tuple[int, int]:
    """The mask that stands the longest in a sound, and for how long at most."""
    first, stop = np.searchsorted(timeline.edge_us, (sound.start_us, sound.end_us))
    lasts_us = np.diff(timeline.edge_us[first : stop + 1])
    longest = int(lasts_us.argmax())
    return int(timeline.covered[first + longest]), int(lasts_us[longest])
