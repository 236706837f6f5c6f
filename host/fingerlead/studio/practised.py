"""Which rungs and tunes a session was practised on, and which became clean in it, by their keys.

Both are told by its settings, as the practice page writes them when it ends a session; the music that it was read
against says the first too, also of a session that was cut off, or recorded without the page.
"""

from bisect import bisect_left
from functools import cache
from typing import Literal

from fingering.orders import every_rung
from fingering.tunes import easy_tunes
from fingerlead.store.session_music import musics_of
from fingerlead.store.session_reading import StoredSession, settings_of
from fingerlead.studio.pupils import keys, texts
from fingerlead.timing.analysis import Analysis

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


def keys_of(session: StoredSession, what: Literal["rungs", "passed"]) -> tuple[str, ...]:
    """Keys of the rungs that a session was practised on, or that became clean in it, as its settings say."""
    return keys(texts(settings_of(session), what))[:MOST_RUNGS]


@cache
def _keys_by_name() -> dict[str, str]:
    """The keys of rungs and easy tunes by what a session calls its music: their names, or the keys themselves."""
    named = {rung.name: rung.key for rung in every_rung().values()} | {tune.title: tune.key for tune in easy_tunes()}
    return named | {key: key for key in named.values()}
