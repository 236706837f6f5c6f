"""Two sessions of one tune laid over each other: how far apart their notes begin, and their movements' lengths, by bar.

Question: would these two sound as one? Of each session the pass with the most right notes counts. The second is laid
over the first at the first's tempo, and begins with it, so that tempo and start are no difference; after a stop or a
jump in either it is laid over anew. Only notes that both played as written are compared.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

import numpy as np

from fingerlead.reading.music import Music
from fingerlead.timing.against import notes_embellished, passes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.beats import Run, Times, beat_through, offs_of, runs_of, spread_of
from fingerlead.timing.pulse import OnsetOf, onsets_of
from fingerlead.timing.results import PlayedMovement


class UnisonError(ValueError):
    """Two sessions that cannot be laid over each other; one sentence."""


class MovementPair(NamedTuple):
    """One written movement, by its name and melody note, as both played it: its lengths in µs."""

    name: str
    note: int
    first_us: int
    second_us: int


@dataclass(frozen=True, slots=True)
class UnisonBar:
    """One bar: how much later the second session began each of its notes (earlier: below 0), and its movements."""

    bar: int | None
    late_us: tuple[int, ...]
    movements: tuple[MovementPair, ...]

    @property
    def apart_us(self) -> int:
        """How far apart the notes typically begin."""
        return round(median(map(abs, self.late_us))) if self.late_us else 0


@dataclass(frozen=True, slots=True)
class Unison:
    """Two sessions of `music` laid over each other; `slower` is by what share the second's beat is longer.

    `spread_us`: half of the notes lie within twice that, one session to the other. `lengths_us` is by how much the
    lengths of movements differ (median), None where none was played by both. `uncertainty_us` is that of a difference.
    """

    music: Music
    notes: int
    slower: float
    spread_us: int
    lengths_us: int | None
    bars: tuple[UnisonBar, ...]
    uncertainty_us: int


def unison(first: Analysis, second: Analysis, onset: OnsetOf = "theme") -> Unison:
    """Lay the second session over the first; raises UnisonError."""
    music, places = _common_pass(first, second)
    onsets = [onsets_of(analysis, onset) for analysis in (first, second)]
    both = sorted(places[0].keys() & places[1].keys())
    a_us, b_us = (
        np.array([us[place[index]] for index in both], dtype=np.int64) for us, place in zip(onsets, places, strict=True)
    )
    bar_at = [0 if (rhythm := music.notes[index].rhythm) is None else rhythm.bar for index in both]
    runs = _laid(music, both, a_us, b_us, bar_at)
    if not runs:
        raise UnisonError(
            "expected two bars or more that both play on end; these two share too little. Play the tune through"
        )
    offs = [np.round(offs_of(run)).astype(np.int64) for run in runs]
    late = dict(zip(np.concatenate([run.us for run in runs]).tolist(), np.concatenate(offs).tolist(), strict=True))
    beat_us = _beat(music, both, a_us)
    weights = [len(run.us) for run in runs]
    slower = float(np.average([beat_through(run)[0] / beat_us for run in runs], weights=weights)) - 1
    movements = [_movements(analysis, place) for analysis, place in zip((first, second), places, strict=True)]
    bars: dict[int, tuple[int | None, list[int], list[MovementPair]]] = {}
    for index, us, bar in zip(both, b_us.tolist(), bar_at, strict=True):
        _, lates, pairs = bars.setdefault(bar, (music.notes[index].bar, [], []))
        if us in late:
            lates.append(late[us])
        if index in movements[0] and index in movements[1]:
            ours, theirs = movements[0][index], movements[1][index]
            lengths_us = (one.end_us - one.start_us for one in (ours, theirs))
            pairs.append(MovementPair(ours.name, ours.to_note, *lengths_us))
    differ_us = [abs(one.first_us - one.second_us) for _, _, pairs in bars.values() for one in pairs]
    return Unison(
        music,
        len(late),
        slower,
        round(spread_of(np.concatenate(offs).astype(np.float64))),
        round(median(differ_us)) if differ_us else None,
        tuple(UnisonBar(bar, tuple(lates), tuple(pairs)) for bar, lates, pairs in bars.values()),
        round(float(np.hypot(first.timing.uncertainty_us, second.timing.uncertainty_us))),
    )


def _common_pass(first: Analysis, second: Analysis) -> tuple[Music, list[dict[int, int]]]:
    """The music that both played, and for each the melody note that is each written one in its best pass."""
    best = [_best_passes(analysis) for analysis in (first, second)]
    for which, found in zip(("first", "second"), best, strict=True):
        if not found:
            raise UnisonError(
                f"expected two sessions that say what was played; the {which} has no music that is played in it. "
                "Name it with --expect"
            )
    common = [notes for notes in best[0] if notes in best[1]]
    if not common:
        names = [next(iter(found.values()))[0].asked.name or "a tune without a name" for found in best]
        raise UnisonError(
            f"expected two sessions of one tune; the first is of {names[0]}, the second of {names[1]}. "
            "Name two of one tune"
        )
    music, _ = best[0][max(common, key=lambda notes: len(best[0][notes][1]))]
    return music, [found[music.notes][1] for found in best]


def _best_passes(analysis: Analysis) -> dict[tuple[object, ...], tuple[Music, dict[int, int]]]:
    """For each music by its notes the pass with the most right notes, as melody notes by written ones."""
    found, pass_of = passes(analysis)
    places: list[dict[int, int]] = [{} for _ in found]
    for number, (note, place) in enumerate(zip(analysis.held, pass_of, strict=True)):
        if place is not None and note.written is not None:
            written = analysis.musics[note.written.music].notes[note.written.number]
            if written.note == note.note:
                places[place][note.written.number] = number  # gone back to: as played last
    best: dict[tuple[object, ...], tuple[Music, dict[int, int]]] = {}
    for one, played in zip(found, places, strict=True):
        music = analysis.musics[one.music]
        if music.asked.judged and len(played) > len(best.get(music.notes, (music, {}))[1]):
            best[music.notes] = music, played
    return best


def _beat(music: Music, both: Sequence[int], us: Times) -> float:
    """How long a beat is in a session; without a meter, a note."""
    at = [float(index if (rhythm := music.notes[index].rhythm) is None else rhythm.at) for index in both]
    steps = np.diff(us) / np.maximum(np.diff(at), 1e-9)
    return max(float(np.median(steps)), 1.0) if len(steps) else 1.0


def _laid(
    music: Music,
    both: Sequence[int],
    a_us: Times,
    b_us: Times,
    bars: Sequence[int],
) -> list[Run]:
    """The second session's onsets over the first's, which are its places in beats; taken apart where either stops."""
    beat_us = _beat(music, both, a_us)
    # Where a player went back, time does too: only what goes on is laid over.
    rises = np.flatnonzero((np.diff(a_us) <= 0) | (np.diff(b_us) <= 0)) + 1
    pieces = np.split(np.arange(len(both)), rises)
    found = [Run(a_us[piece] / beat_us, b_us[piece], np.array(bars, dtype=np.int64)[piece]) for piece in pieces]
    return [run for piece in found for run in runs_of(piece)]


def _movements(analysis: Analysis, places: dict[int, int]) -> dict[int, PlayedMovement]:
    """The movements that were played as what is written there, by the written note that they lead to."""
    written_of = {number: index for index, number in places.items()}
    return {
        written_of[at]: one
        for one, at in zip(analysis.movements, notes_embellished(analysis), strict=True)
        if at in written_of and one.notes and one.verdict in ("as written", "faulty")
    }
