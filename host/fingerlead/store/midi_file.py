"""Standard MIDI Files (IMA, 1.1) written: a chanter's frames as System Exclusive, or one plain note a hole.

Format 1, a tick a millisecond at 120 quarter notes a minute. A message is on the last tick that is not after
it. One whose time must come back to the microsecond is `exact`: a change of tempo makes the tick before it longer (or
shorter), and is taken back at once.
"""

from __future__ import annotations

import heapq
import io
import json
from collections.abc import Iterable, Iterator
from operator import itemgetter
from typing import TYPE_CHECKING

from fingerlead.store.midi_reading import MUSIC
from fingerlead.store.session_music import MusicAt, row_of

if TYPE_CHECKING:
    import mido

TICKS_A_QUARTER = 500
TICK_US = 1_000

Event = tuple[int, bool, bytes]  # (µs from the start, never falling; exact; a whole message)


def midi_file_bytes(text: str, tracks: dict[str, list[Event]], asked: Iterable[MusicAt] = ()) -> bytes:
    """The file, with one track for each name; `text` says what it is. The music goes along as text at its beginning."""
    import mido

    tempos: list[tuple[int, int]] = []
    placed: dict[str, list[tuple[int, bytes]]] = {name: [] for name in tracks}
    named = [((t_us, exact, (name, data)) for t_us, exact, data in events) for name, events in tracks.items()]
    for tick, (name, data) in _on_ticks(heapq.merge(*named, key=itemgetter(0)), tempos):
        placed[name].append((tick, data))
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS_A_QUARTER)
    conductor = [(0, mido.MetaMessage("text", text=text)), (0, _tempo(TICK_US))]
    rows = (row_of(number, *each) for number, each in enumerate(asked, 1))
    conductor += [(0, mido.MetaMessage("text", text=MUSIC + json.dumps(row))) for row in rows]
    conductor += [(tick, _tempo(tick_us)) for tick, tick_us in tempos]
    song.tracks.append(_track("", conductor))
    for name, messages in placed.items():
        song.tracks.append(_track(name, ((tick, mido.Message.from_bytes(data)) for tick, data in messages)))
    held = io.BytesIO()
    song.save(file=held)
    return held.getvalue()


def _on_ticks(
    events: Iterable[tuple[int, bool, tuple[str, bytes]]], tempos: list[tuple[int, int]]
) -> Iterator[tuple[int, tuple[str, bytes]]]:
    """Each event with its tick; `tempos` gets (tick, µs of the ticks from there on)."""
    tick = now_us = 0
    for t_us, exact, what in events:
        ticks, rest_us = divmod(t_us - now_us, TICK_US)
        if exact and rest_us:
            odd_us = rest_us + (TICK_US if ticks else 0)
            ticks = max(ticks, 1)
            tempos += [(tick + ticks - 1, odd_us), (tick + ticks, TICK_US)]
            now_us = t_us
        else:
            now_us += ticks * TICK_US
        tick += ticks
        yield tick, what


def _tempo(tick_us: int) -> mido.MetaMessage:
    import mido

    return mido.MetaMessage("set_tempo", tempo=tick_us * TICKS_A_QUARTER)


def _track(name: str, messages: Iterable[tuple[int, mido.Message]]) -> mido.MidiTrack:
    import mido

    track = mido.MidiTrack()
    if name:
        track.append(mido.MetaMessage("track_name", name=name))
    before = 0
    for tick, message in messages:
        message.time = tick - before
        before = tick
        track.append(message)
    return track
