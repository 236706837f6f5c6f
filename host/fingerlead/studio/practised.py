"""Which rungs and tunes a session was practised on, and which became clean in it, by their keys.

Both are told by its settings, as the practice page writes them when it ends a session; the music that it was read
against says the first too, also of a session that was cut off, or recorded without the page. That a rung became clean
is a claim, which any program may write into a file: it counts where the playing of that rung, judged here by the rules
of the practice page, has a full row in it. A row of NEEDED_AGAIN will do: a session does not tell which was asked for.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from functools import cache
from typing import Literal

from fingering.orders import every_rung
from fingering.rungs import NEEDED_AGAIN, Rung
from fingering.tunes import easy_tunes
from fingerlead.practice.passing import CleanRow, Holds, movement_outcome, outcome_of
from fingerlead.reading.music import Music
from fingerlead.store.session_music import musics_of
from fingerlead.store.session_reading import StoredSession, settings_of
from fingerlead.studio.pupils import keys, texts
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.movement_beats import placed_movements

MOST_RUNGS = 40


def practised_in(session: StoredSession, analysis: Analysis) -> tuple[str, ...]:
    """Keys of the rungs and tunes that its settings name, and of those to whose music a change was played."""
    played = sorted(change.start_us for change in analysis.changes)
    found = list(keys_of(session, "rungs"))
    for music in musics_of(session.asked):
        at = bisect_left(played, music.start_us)
        if at < len(played) and played[at] < music.end_us:
            found.append(_keys_by_name().get(music.asked.name, ""))
    return keys(found)[:MOST_RUNGS]


def passed_in(session: StoredSession, analysis: Analysis) -> tuple[str, ...]:
    """Keys of the rungs that its settings say became clean, and of which its playing says so too."""
    known = every_rung()
    return tuple(key for key in keys_of(session, "passed") if key in known and _became_clean(known[key], analysis))


def _became_clean(rung: Rung, analysis: Analysis) -> bool:
    """Whether a full row of a rung was played, where it was asked for."""
    spans = [music for music in analysis.musics if _keys_by_name().get(music.asked.name) == rung.key]
    if len(rung.notes) == 1:
        return _held_in_a_row(rung.notes[0], spans, analysis) >= NEEDED_AGAIN
    if rung.movements:
        row = CleanRow((rung.movements,), (), NEEDED_AGAIN)
        for played in placed_movements(analysis):
            if played.written in rung.movements and _within(played.start_us, spans):
                row.judge(played.start_us, rung.movements, movement_outcome(played, rung.tempo))
        return row.full
    row = CleanRow(rung.out, rung.back, NEEDED_AGAIN)
    for change in analysis.changes:
        if change.judged and _within(change.start_us, spans):
            row.judge(change.number, (change.from_note, change.to_note), outcome_of(change, analysis.table))
    return row.full


def _within(at_us: int, spans: list[Music]) -> bool:
    return any(music.start_us <= at_us < music.end_us for music in spans)


def _held_in_a_row(note: int, spans: list[Music], analysis: Analysis) -> int:
    """How often in a row, at most, a note alone was held as its rung asks."""
    most = now = 0
    for music in spans:
        holds = Holds(note, analysis.table.standard[note], analysis.settings)
        holds.count_us = music.asked.beat_us or holds.count_us
        for t_us, mask in _states(music, analysis):
            judged = holds.state(t_us, mask)
            if judged is not None and judged.end not in ("uncertain", "not sealed"):
                now = now + 1 if judged.end == "held" else 0
                most = max(most, now)
    return most


def _states(music: Music, analysis: Analysis) -> Iterator[tuple[int, int]]:
    """The masks of a stretch of music from their times on, and the last once more, at its end."""
    edge_us, covered = analysis.edge_us.tolist(), analysis.covered.tolist()
    first, last = max(0, bisect_right(edge_us, music.start_us) - 1), bisect_left(edge_us[:-1], music.end_us)
    yield from ((max(music.start_us, edge_us[at]), covered[at]) for at in range(first, last))
    if first < last:
        yield min(music.end_us, edge_us[last]), covered[last - 1]


def keys_of(session: StoredSession, what: Literal["rungs", "passed"]) -> tuple[str, ...]:
    """Keys of the rungs that a session was practised on, or that became clean in it, as its settings say."""
    return keys(texts(settings_of(session), what))[:MOST_RUNGS]


@cache
def _keys_by_name() -> dict[str, str]:
    """The keys of rungs and easy tunes by what a session calls its music: their names, or the keys themselves."""
    named = {rung.name: rung.key for rung in every_rung().values()} | {tune.title: tune.key for tune in easy_tunes()}
    return named | {key: key for key in named.values()}
