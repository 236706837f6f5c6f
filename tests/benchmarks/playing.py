"""An hour of dense playing for the measurements: about 60 000 finger edges, and the same as files.

Made of standard fingerings with normal finger scatter (8 ms, an assumption), a change every 180 ms, from a fixed seed.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np

from fingering.notes import NOTES
from fingering.table import standard_table
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Timing
from fingerlead.timing.timeline import SOUND
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.events import Record
from fingerlead.wire.messages import Hello, Holes, encode

HOUR_EDGES = 60_000
SCATTER_US = 8_000
EVERY_US = 175_000
HEARTBEAT_US = 100_000
SCAN_US = 1_000
READ_US = 4_000
TIMING = Timing("chanter", 5_000, 1_000, 3_000, "assumed")


def hour_of_edges(seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """Edge times int64[n + 1] and masks uint8[n] of an hour."""
    standard = standard_table().standard
    chance = random.Random(seed)
    note, t_us = 1, 0
    times, masks = [0], [standard[1]]
    while len(masks) < HOUR_EDGES:
        target = chance.choice([n for n in range(len(NOTES)) if n != note and abs(n - note) < 4])
        t_us += EVERY_US
        differ = standard[note] ^ standard[target]
        moves: dict[int, int] = {}
        for finger in range(8):
            if differ >> finger & 1:
                at_us = t_us + round(chance.gauss(0, SCATTER_US) / SCAN_US) * SCAN_US
                at_us = max(at_us, times[-1] + SCAN_US)
                moves[at_us] = moves.get(at_us, 0) | 1 << finger
        for at_us, fingers in sorted(moves.items()):
            times.append(at_us)
            masks.append(masks[-1] ^ fingers)
        note = target
    return np.array([*times, times[-1] + 500_000], dtype=np.int64), np.array(masks, dtype=np.uint8)


def wire_frames(edge_us: np.ndarray, covered: np.ndarray) -> list[tuple[int, bytes]]:
    """The frames of a chanter that plays it: (time, bytes), a hello first, heartbeats between the edges."""
    frames = [(0, b"\0" + to_stream(encode(Hello(1, b"measured", (1, 0, 0), 8, 0, 1_000, 0, "benchmark", 1))))]
    sequence = 0
    for at_us, until_us, mask in zip(edge_us[:-1].tolist(), edge_us[1:].tolist(), covered.tolist(), strict=True):
        for t_us in range(at_us, until_us, HEARTBEAT_US):
            frames.append((t_us, to_stream(encode(Holes(sequence & 0xFFFF, t_us & 0xFFFFFFFF, mask)))))
            sequence += 1
    return frames


def write_session(path: Path, frames: list[tuple[int, bytes]]) -> None:
    """The frames as a session file, read in pieces of a few milliseconds as a serial port gives them."""
    from fingerlead.store.session_file import SessionWriter

    with SessionWriter(path, carrier="stream", port="benchmark") as session:
        held, since_us = [], 0
        for t_us, data in frames:
            if t_us - since_us >= READ_US and held:
                session.append(b"".join(held), t_us)
                held, since_us = [], t_us
            held.append(data)
        session.append(b"".join(held), frames[-1][0])


def write_sounding_notes(path: Path, edge_us: np.ndarray, covered: np.ndarray) -> int:
    """The same sounding notes as a Standard MIDI File of format 1; returns how many there are."""
    import mido

    song = mido.MidiFile(ticks_per_beat=500)  # one tick a millisecond at the default tempo
    track = mido.MidiTrack()
    song.tracks.append(track)
    note = SOUND[covered]
    turns = np.concatenate(([0], np.flatnonzero(note[1:] != note[:-1]) + 1))
    begins = (edge_us[turns] // 1_000).tolist()
    ends = [*begins[1:], int(edge_us[-1] // 1_000)]
    now = 0
    for pitch, begin, end in zip((note[turns] + 67).tolist(), begins, ends, strict=True):
        track.append(mido.Message("note_on", note=pitch, velocity=64, time=begin - now))
        track.append(mido.Message("note_off", note=pitch, velocity=0, time=end - begin))
        now = end
    song.save(path)
    return len(turns)


def tune_over_and_over(
    edge_us: np.ndarray, covered: np.ndarray, edges: int = 400
) -> tuple[np.ndarray, np.ndarray, Music]:
    """The first edges over and over, as long in all, and as music what a plain reading finds in their first time."""
    lasts_us, times = int(edge_us[edges]), len(covered) // edges
    again_us = np.append((edge_us[:edges] + lasts_us * np.arange(times)[:, None]).reshape(-1), times * lasts_us)
    once = Record(edge_us[:edges], covered[:edges], lasts_us, [])
    notes = [held.note for held in analyse(once, standard_table(), TIMING).held]
    tune = tuple(WrittenNote(note) for at, note in enumerate(notes) if not at or notes[at - 1] != note)
    return again_us, np.tile(covered[:edges], times), Music(tune)
