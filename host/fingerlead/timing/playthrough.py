"""How a tune was played that goes by in time: which of its notes came with the beat, and which place to work on.

Question: the notes of a tune were due one after the other, by a beat that does not wait; which of them came? Each
written note is due at its beat. The beats are those of the clicks where the session has them, the middle of those about
it, as single ones are told with some jitter; else they follow the beginning that the session states.

What was played is laid to what was due by its time, not by its order alone: a melody note of the same pitch, no further
than a beat away, so that all together lie nearest. A note comes with the beat where that begins no further than
`within_us` from when it is due, by its theme note or by the first of its grace notes, as teachers differ. What is
constant, up to CONSTANT_US, is taken out: the sound's way to the ear, and the player's lead over a click.

The first note cannot be told from one that is held while the beat counts in, nor a note from the same one before it
where that between them was missed: such a note is to sound when it is due. Notes beside what was lost, and those that
were neither played nor due before the end, are not asked for.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from statistics import median
from typing import Literal, NamedTuple

import numpy as np

from fingering.notes import NOTES
from fingerlead.reading.music import Music
from fingerlead.timing.against import doubted_notes
from fingerlead.timing.analysis import Analysis, doubt_spans
from fingerlead.timing.pulse import onsets_of

DueHow = Literal["with the beat", "early", "late", "another", "missed"]
CONSTANT_US = 100_000  # our own choice: headphones without a wire, and what people are early (Repp 2005; from memory)
FEWEST = 4  # notes, fewer of which say nothing of what is constant
CLICKS_ABOUT = 8  # on either side of a beat
_WORDS: dict[DueHow, str] = {
    "early": "came early", "late": "came late", "another": "was another note", "missed": "was missing",
    "with the beat": "came with the beat",
}  # fmt: skip


class DueNote(NamedTuple):
    """A written note that was due: its `place`, the note, its `bar` as players count, and which bar that was as played.

    `off_us` is how far after its beat it began (before: below 0); None where it was not played.
    """

    place: int
    note: int
    bar: int | None
    played_bar: int
    how: DueHow
    off_us: int | None


class Playthrough(NamedTuple):
    """A tune that went by in time, `music` its number. `constant_us` is what was taken out of every note."""

    music: int
    within_us: int
    constant_us: int
    notes: tuple[DueNote, ...]

    @property
    def with_beat(self) -> int:
        """How many of its notes came with the beat."""
        return sum(note.how == "with the beat" for note in self.notes)

    @property
    def place(self) -> tuple[DueNote, ...]:
        """The bar in which most went wrong, the first of several; empty where all came with the beat."""
        wrong = [note.played_bar for note in self.notes if note.how != "with the beat"]
        worst = max(dict.fromkeys(wrong), key=wrong.count, default=None)
        return tuple(note for note in self.notes if note.played_bar == worst)

    @property
    def fault(self) -> DueNote | None:
        """The first note that went wrong in that bar."""
        return next((note for note in self.place if note.how != "with the beat"), None)


def playthroughs(analysis: Analysis) -> list[Playthrough]:
    """Each tune of an analysis that went by in time, in order."""
    known: list[Playthrough] | None = analysis.worked_out.get("playthroughs")
    if known is None:
        numbers = [number for number, music in enumerate(analysis.musics) if music.asked.begins_us is not None]
        playing = _Playing(analysis) if numbers else None
        found = [] if playing is None else [playing.of(number) for number in numbers]
        known = analysis.worked_out["playthroughs"] = [one for one in found if one.notes]
    return known


def playthrough_sentence(played: Playthrough) -> str:
    """How many came with the beat, and the place to work on."""
    count, fault = len(played.notes), played.fault
    if fault is None:
        return "Every note came with the beat." if count > 1 else "The note came with the beat."
    bar = "" if fault.bar is None else f" in bar {fault.bar}"
    return f"{played.with_beat} of {count} notes came with the beat;{bar} the {NOTES[fault.note]} {_WORDS[fault.how]}."


class _Playing:
    """The melody notes of an analysis with their onsets."""

    def __init__(self, analysis: Analysis) -> None:
        self._analysis, self._held = analysis, analysis.held
        self._clicks_us = np.array([at_us for clicks in analysis.clicks for at_us in clicks.at_us], dtype=np.int64)
        self._onsets = (onsets_of(analysis, "theme"), onsets_of(analysis, "first grace"))
        self._doubted = doubted_notes(analysis)
        self._doubts = doubt_spans(analysis.doubts)

    def of(self, number: int) -> Playthrough:
        """One that went by in time."""
        music = self._analysis.musics[number]
        within_us, beat_us = music.asked.within_us or 0, music.asked.beat_us or 1
        due_us = self._due_us(music)
        constant_us = self._constant_us(music, due_us)
        due_us = [us + constant_us for us in due_us]
        found = self._laid(music, due_us, beat_us)
        end_us = self._end_us(music)
        notes: list[DueNote] = []
        for place, (written, at_us, held) in enumerate(zip(music.notes, due_us, found, strict=True)):
            is_due = held is not None or at_us + within_us <= end_us
            if not is_due or written.rhythm is None or self._is_lost(at_us, held):
                continue
            off_us = None if held is None else self._off_us(held, at_us)
            cannot_begin = place == 0 or (held is None and found[place - 1] is None)
            how: DueHow
            if cannot_begin and self._sounds(written.note, at_us, within_us):
                how, off_us = "with the beat", None
            elif off_us is None:
                how = "another" if self._begins_other(found, at_us, within_us) else "missed"
            else:
                how = "with the beat" if abs(off_us) <= within_us else "late" if off_us > 0 else "early"
            notes.append(DueNote(place, written.note, written.bar, written.rhythm.bar, how, off_us))
        return Playthrough(number, within_us, constant_us, tuple(notes))

    def _end_us(self, music: Music) -> int:
        return min(music.end_us, self._analysis.record.end_us)

    def _due_us(self, music: Music) -> list[int]:
        """When each note is due, by the clicks about it."""
        begins_us, beat_us = music.asked.begins_us or 0, music.asked.beat_us or 1
        at = np.array([float(one.rhythm.at) if one.rhythm else 0.0 for one in music.notes])
        due_us = begins_us + at * beat_us
        heard = self._clicks_us[(self._clicks_us >= music.start_us) & (self._clicks_us <= self._end_us(music))]
        if heard.size:
            # How far each click is from the nearest beat that the session states; a tune may begin between two.
            first = next((float(one.rhythm.at) for one in music.notes if one.rhythm and one.rhythm.on_beat), 0.0)
            off_us = (heard - begins_us - first * beat_us + beat_us / 2) % beat_us - beat_us / 2
            low = np.searchsorted(heard, due_us - CLICKS_ABOUT * beat_us)
            high = np.searchsorted(heard, due_us + CLICKS_ABOUT * beat_us, side="right")
            due_us = due_us + [float(np.median(off_us[a:b])) if b > a else 0.0 for a, b in zip(low, high, strict=True)]
        return [round(us) for us in due_us.tolist()]

    def _constant_us(self, music: Music, due_us: Sequence[int]) -> int:
        """What all notes but the first are off, as long as it is no more than CONSTANT_US."""
        found = self._laid(music, due_us, music.asked.beat_us or 1)
        offs = [self._onsets[0][held] - due_us[place] for place, held in enumerate(found) if place and held is not None]
        return 0 if len(offs) < FEWEST else max(-CONSTANT_US, min(CONSTANT_US, round(median(offs))))

    def _laid(self, music: Music, due_us: Sequence[int], beat_us: int) -> list[int | None]:
        """For each written note the melody note that is laid to it, in order, so that all together lie nearest.

        Each that is missed costs as much as one that is a whole beat away.
        """
        starts_us = self._onsets[0]
        # By how many melody notes are passed: what it costs at the least, and what was laid to the note.
        costs: dict[int, float] = {0: 0.0}
        ways: list[dict[int, tuple[int, int | None]]] = []
        best: dict[int, tuple[float, int, int | None]]
        for written, at_us in zip(music.notes, due_us, strict=True):
            low, high = bisect_left(starts_us, at_us - beat_us), bisect_right(starts_us, at_us + beat_us)
            near = [held for held in range(low, high) if self._held[held].note == written.note]
            best = {passed: (cost + 1.0, passed, None) for passed, cost in costs.items()}
            for held in near:
                before = min(((cost, passed) for passed, cost in costs.items() if passed <= held), default=None)
                if before is not None:
                    cost = before[0] + abs(starts_us[held] - at_us) / beat_us
                    if held + 1 not in best or cost < best[held + 1][0]:
                        best[held + 1] = (cost, before[1], held)
            # Of two ways, the dearer one that has passed more is of no use.
            least, kept = float("inf"), {}
            for passed in sorted(best):
                if best[passed][0] < least:
                    least, kept[passed] = best[passed][0], best[passed]
            costs = {passed: cost for passed, (cost, _, _) in kept.items()}
            ways.append({passed: (before, held) for passed, (_, before, held) in kept.items()})
        passed = min(costs, key=costs.__getitem__)
        found: list[int | None] = []
        for way in reversed(ways):
            passed, laid = way[passed]
            found.append(laid)
        return found[::-1]

    def _off_us(self, held: int, at_us: int) -> int:
        """How far off a melody note begins, by whichever of its beginnings is nearer."""
        return min((us[held] - at_us for us in self._onsets), key=abs)

    def _is_lost(self, at_us: int, held: int | None) -> bool:
        """Whether something was lost about a note."""
        about = (self._doubts[:, 0] <= at_us) & (at_us <= self._doubts[:, 1])
        return bool(about.any()) or (held is not None and self._doubted[held])

    def _sounds(self, note: int, at_us: int, within_us: int) -> bool:
        """Whether a note sounds about a time."""
        soon_us, just_us = at_us + within_us, at_us - within_us
        return any(one.note == note and one.start_us <= soon_us and one.end_us >= just_us for one in self._held)

    def _begins_other(self, found: Sequence[int | None], at_us: int, within_us: int) -> bool:
        """Whether a melody note that is laid to none begins about a time."""
        starts_us = self._onsets[0]
        low, high = bisect_left(starts_us, at_us - within_us), bisect_right(starts_us, at_us + within_us)
        return any(held not in found for held in range(low, high))
