"""Two hands that play, and the truth of what they played: what was meant beside what the masks sounded.

What is meant is planned as notes in time. What sounded, and for how long, is heard from the masks, so that the truth
also holds where scattered fingers sound more than was meant.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from random import Random
from typing import Any

from tests.reading.instrument import (
    HEARD_US,
    LETTERS,
    STANDARD,
    Edge,
    Sound,
    edges_of,
    mending_fingers,
    movers,
    shape_of,
    sound_of,
    sounds_of,
)
from tests.reading.repertoire import Movement, movement_rows

# The closest stage of "together": a change wider than this, in which no third note is heard, is called apart.
TOGETHER_US = 15_000
# How far fingers lie apart that move together.
CLUSTER_US = 4_000


@dataclass(frozen=True, slots=True)
class Written:
    """One melody note of the music, and the movement written before it."""

    note: int
    movement: Movement | None = None


@dataclass(frozen=True, slots=True)
class MelodyNote:
    """A note that was meant; `written` holds the indices of the written notes that it plays.

    It is empty for a wrong note, and in free playing. Two written notes of one pitch without a movement sound as one.
    """

    note: int
    start_us: int
    end_us: int
    written: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What happened between two neighbouring melody notes.

    `kind` is "plain", "run" (a third note was heard), "apart" (rolled, no third note heard) or "movement". `thirds` are
    all notes that sounded and were not meant, however short; in a movement they lie between its notes, which `played`
    has. Of a run that one finger made on purpose, `finger` is that finger and `way` is "early" or "late"; `mends` are
    the fingers that could each, moved alone to the time of another, take every heard third note away (in a change of
    two fingers, both). Where `ambiguous`, a run and a movement sound alike, and only the music tells which it is.
    """

    before: int
    after: int
    kind: str
    start_us: int
    end_us: int
    thirds: tuple[Sound, ...]
    finger: int | None = None
    way: str | None = None
    mends: tuple[int, ...] = ()
    movement: Movement | None = None
    played: tuple[Sound, ...] = ()
    ambiguous: bool = False

    @property
    def spread_us(self) -> int:
        return self.end_us - self.start_us

    @property
    def heard(self) -> tuple[Sound, ...]:
        """The third notes that a listener hears."""
        return tuple(third for third in self.thirds if third.lasts_us >= HEARD_US)

    @property
    def swallowed(self) -> tuple[Sound, ...]:
        """The notes of the movement that scatter made too short to hear."""
        return tuple(sound for sound in self.played if sound.lasts_us < HEARD_US)


@dataclass(frozen=True, slots=True)
class Happening:
    """A span in which something happened: "hands off", "pause", or, without length, "going back" and "stop"."""

    kind: str
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Performance:
    """Edges (time, covered mask from then on; the first at 0), and the truth; changes index `notes`."""

    music: tuple[Written, ...]
    edges: tuple[Edge, ...]
    end_us: int
    notes: tuple[MelodyNote, ...]
    changes: tuple[Change, ...]
    happenings: tuple[Happening, ...] = ()


@dataclass(frozen=True, slots=True)
class _Planned:
    """A note that is meant: it sounds at `mid_us`, after the motions `since` to `until`."""

    note: int
    mid_us: int
    written: tuple[int, ...] = ()
    inner: bool = False
    since: int = 0
    until: int = 0
    finger: int | None = None
    way: str | None = None
    movement: Movement | None = None
    off: Happening | None = None


@dataclass
class Hands:
    """Fingers on a chanter: what they do, and what is meant by it."""

    random: Random
    mask: int
    now_us: int = 0
    motions: list[tuple[int, int]] = field(default_factory=list)
    planned: list[_Planned] = field(default_factory=list)
    happenings: list[Happening] = field(default_factory=list)
    told: int = 0

    def __post_init__(self) -> None:
        self.first_mask = self.mask
        self.last_us = [0] * 8

    def move(self, times: Mapping[int, float]) -> None:
        """Each finger turns over at its time, or as soon after as it can."""
        for finger, t_us in times.items():
            self.last_us[finger] = max(round(t_us), self.last_us[finger] + 1_000)
            self.motions.append((self.last_us[finger], finger))
            self.mask ^= 1 << finger

    def hold(self, note: int, lasts_us: float, *written: int, **facts: Any) -> None:
        """Mean a melody note from now on; `facts` say what the change to it was, as fields of `_Planned`."""
        mid_us = self.now_us + round(lasts_us / 2)
        self.planned.append(_Planned(note, mid_us, written, since=self.told, until=len(self.motions), **facts))
        self.told = len(self.motions)
        self.now_us += round(lasts_us)

    def happen(self, kind: str, lasts_us: float = 0) -> Happening:
        self.happenings.append(Happening(kind, self.now_us, self.now_us + round(lasts_us)))
        self.now_us += round(lasts_us)
        return self.happenings[-1]

    def change(self, note: int, spread_us: float, in_order: bool = True) -> None:
        """Move to a note, first to last finger `spread_us`; in the right order no third note sounds.

        The right order: upwards the finger of the new note goes first, downwards that of the old note last.
        """
        order = movers(self.mask, STANDARD[note])
        self.random.shuffle(order)
        before = sound_of(self.mask)
        if in_order and before != note:
            key = 8 - max(note, before)
            order.remove(key)
            order.insert(0 if note > before else len(order), key)
        between = sorted(self.random.uniform(0, spread_us) for _ in order[2:])
        offsets = [0.0, *between, float(spread_us)][: len(order)]
        self.move({finger: self.now_us + offset for finger, offset in zip(order, offsets, strict=True)})
        self.now_us += round(offsets[-1]) if offsets else 0

    def change_with_run(self, note: int, finger: int, way: str, run_us: float) -> None:
        """Move to a note with one finger early or late, and the others scattered by a few ms."""
        others = [other for other in movers(self.mask, STANDARD[note]) if other != finger]
        offsets = {other: self.random.uniform(0, CLUSTER_US) for other in others}
        first, last = min(offsets.values()), max(offsets.values())
        apart = {finger: first - run_us if way == "early" else last + run_us}
        at_us = self.now_us + (run_us if way == "early" else 0)
        self.move({other: at_us + offset for other, offset in {**offsets, **apart}.items()})
        self.now_us += round(run_us + CLUSTER_US)

    def play(self, movement: Movement, grace_us: float, inner_us: float, scatter_us: float) -> None:
        """A movement well played: under a grace note the hand changes to where it goes on."""
        pace = self.random.uniform(0.9, 1.1)
        for sound, hand in movement.shapes:
            length_us = pace * (inner_us if sound == hand else grace_us)
            under_us = 0.0 if sound == hand else 0.4 * length_us
            self._shape(shape_of(sound, hand), 8 - sound, under_us, scatter_us)
            self.planned.append(_Planned(sound, self.now_us + round(length_us / 2), inner=True))
            self.now_us += round(length_us)
        self._shape(STANDARD[movement.after], 8, 0.0, scatter_us)

    def _shape(self, mask: int, hole: int, under_us: float, scatter_us: float) -> None:
        self.move(
            {
                finger: self.now_us + (under_us if finger > hole else 0) + self.random.gauss(0, scatter_us)
                for finger in movers(self.mask, mask)
            }
        )

    def take_hands_off(self, note: int) -> Happening:
        """Put the chanter down and take it up again on a note: fingers leave and land one after another."""
        start_us = self.now_us
        top, bottom = [0, 1, 2, 3], [4, 5, 6, 7]
        leaving = self.random.choice(([*bottom[::-1], *top[::-1]], [*top[::-1], *bottom[::-1]], [*bottom, *top]))
        landing = self.random.choice((top + bottom, bottom + top, [1, 2, 3, 0, *bottom], [*top, *bottom[::-1]]))
        for target, order, rest_us in ((0, leaving, self.random.uniform(8e5, 5e6)), (STANDARD[note], landing, 0.0)):
            for finger in order:
                if (self.mask ^ target) >> finger & 1:
                    self.move({finger: self.now_us})
                    self.now_us = self.last_us[finger] + round(self.random.uniform(8_000, 150_000))
            self.now_us += round(rest_us)
        self.now_us = max(start_us, *self.last_us)
        self.happenings.append(Happening("hands off", start_us, self.now_us))
        return self.happenings[-1]

    def finish(self, music: Sequence[Written]) -> Performance:
        """Hear what the fingers did, and tell it beside what was meant.

        Raises ValueError where a note that is meant does not sound at all, as scatter is too great for its length.
        """
        edges = edges_of(self.first_mask, self.motions)
        sounds = sounds_of(edges, self.now_us)
        starts = [sound.start_us for sound in sounds]
        notes: list[MelodyNote] = []
        changes: list[Change] = []
        last, inner = -1, list[int]()
        for plan in self.planned:
            at = bisect_right(starts, plan.mid_us) - 1
            sound = sounds[at]
            if sound.note != plan.note:
                raise ValueError(f"{LETTERS[plan.note]} at {plan.mid_us} is meant, {LETTERS[sound.note]} sounds")
            if plan.inner:
                inner.append(at)
                continue
            if at == last and plan.off is None:
                notes[-1] = replace(notes[-1], written=notes[-1].written + plan.written)
                continue
            start_us = sound.start_us
            if plan.off is not None:
                start_us = max(start_us, plan.off.end_us)
                if notes:
                    notes[-1] = replace(notes[-1], end_us=min(notes[-1].end_us, plan.off.start_us))
            elif notes:
                changes.append(self._change(plan, len(notes) - 1, sounds, [last, *inner, at]))
            notes.append(MelodyNote(plan.note, start_us, sound.end_us, plan.written))
            last, inner = at, []
        happenings = tuple(self.happenings)
        return Performance(tuple(music), tuple(edges), self.now_us, tuple(notes), tuple(changes), happenings)

    def _change(self, plan: _Planned, before: int, sounds: Sequence[Sound], meant: Sequence[int]) -> Change:
        """The change to a melody note; `meant` indexes the sounds of both melody notes and of the movement between."""
        thirds = tuple(
            sounds[index]
            for left, right in pairwise(meant)
            for index in range(left + 1, right)
            if sounds[index].note not in (sounds[left].note, sounds[right].note)
        )
        motions = self.motions[plan.since : plan.until]
        change = Change(before, before + 1, "plain", min(motions)[0], max(motions)[0], thirds, plan.finger, plan.way)
        if plan.movement is not None:
            played = tuple(sounds[index] for index in meant[1:-1])
            ambiguous = plan.movement.ambiguous
            return replace(change, kind="movement", movement=plan.movement, played=played, ambiguous=ambiguous)
        if change.heard:
            note = sounds[meant[0]].note
            mends = mending_fingers(STANDARD[note], {finger: t_us for t_us, finger in motions})
            row = (note, plan.note, tuple(third.note for third in change.heard))
            return replace(change, kind="run", mends=mends, ambiguous=row in movement_rows())
        return replace(change, kind="apart" if change.spread_us > TOGETHER_US else "plain")
