"""The last changes, to be looked at and heard again: each with its diagnosis, if obeying it is known to help."""

from collections.abc import Sequence

from fingering.diagnosis import Diagnosis
from fingering.holes import HANDS_OFF
from fingering.moves import order
from fingering.steps import finger_steps
from fingering.table import Table
from fingerlead.practice.events import Judged, Take
from fingerlead.practice.passing import outcome_of
from fingerlead.practice.place import Playing
from fingerlead.timing.mended import mended_edges, trusted_diagnosis
from fingerlead.timing.results import Change, Settings, Timing

KEPT = 50
# What is heard of the notes around a change.
AROUND_US = 400_000
PHRASE_NOTES = 8
# What a model plays: how long a note stands before and after, how far ahead a hair is, a grace note, the wait before
# hands come on (from memory; it is to be seen and heard, slowly, and judges nothing).
STANDS_US, HAIR_US, GRACE_US, OFF_US = 400_000, 12_000, 60_000, 600_000
PHRASE_US, PAUSE_US = 20_000_000, 2_000_000


class Takes:
    """The last changes by the number of their take."""

    def __init__(self, table: Table, settings: Settings) -> None:
        self._table, self._settings = table, settings
        self._kept: dict[int, Take] = {}

    def take_in(self, take: int, change: Change, timing: Timing, playing: Playing) -> Judged:
        """Judge a change, or judge it anew; what was known of its take gives way."""
        again = take in self._kept
        diagnosis = trusted_diagnosis(change, timing, self._table, self._settings)
        judged = Judged(change, timing, diagnosis, take, again, outcome_of(change, self._table))
        self._kept[take] = _take(change, diagnosis, playing)
        if len(self._kept) > KEPT:
            del self._kept[min(self._kept)]
        return judged

    def forget(self, take: int) -> bool:
        """There is no such take after all; whether there was."""
        return self._kept.pop(take, None) is not None

    def get(self, take: int) -> Take | None:
        """One of the last KEPT."""
        return self._kept.get(take)


def _take(change: Change, diagnosis: Diagnosis | None, playing: Playing) -> Take:
    first_us, last_us = change.edges[0][0], change.edges[-1][0]
    before = [at_us for at_us, _ in playing.edges if at_us < first_us]
    start_us = max(first_us - AROUND_US, before[-1] if before else 0)
    lead = ((start_us, change.from_mask),)
    mended = None if diagnosis is None else (*lead, *mended_edges(change, diagnosis))
    end_us = max(last_us, last_us if mended is None else mended[-1][0]) + AROUND_US
    return Take((*lead, *change.edges), end_us, mended)


def last_phrase(playing: Playing) -> Take | None:
    """The last few held notes, as far back as nothing longer than PAUSE_US parts them; None before the first."""
    notes = list(playing.closed)
    if playing.steady is not None:
        notes.append(playing.steady._replace(end_us=min(playing.now_us, playing.steady.start_us + PAUSE_US)))
    if not notes:
        return None
    end_us, start_us = notes[-1].end_us, notes[-1].start_us
    for note in notes[-2 : -PHRASE_NOTES - 1 : -1]:
        if start_us - note.end_us > PAUSE_US or end_us - note.start_us > PHRASE_US:
            break
        start_us = note.start_us
    edges = playing.between(max(start_us, end_us - PHRASE_US), end_us)
    return Take(edges, end_us) if edges else None


def model(notes: Sequence[int], table: Table) -> Take:
    """How a note alone, a change, or an embellishment between two notes is done well: `notes` in the order of sounding.

    A note alone is put down whole. The fingers of a change move together, with one a hair ahead, or behind; with grace
    notes in between, each note's step for itself.
    """
    first, *graces = notes
    mask = table.standard[first]
    if not graces:
        return Take(((0, HANDS_OFF), (OFF_US, mask)), OFF_US + 2 * STANDS_US)
    edges, at_us = [(0, mask)], STANDS_US
    if len(notes) == 2:
        for group in order(first, notes[1]):
            mask ^= sum(1 << finger for finger in group)
            edges.append((at_us, mask))
            at_us += HAIR_US
    else:
        for step in finger_steps(first, graces[:-1], graces[-1]):
            edges.append((at_us, step.covered_mask))
            at_us += GRACE_US
    return Take(tuple(edges), edges[-1][0] + STANDS_US)
