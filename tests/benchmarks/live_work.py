"""What the reading does in the idle moments of playing: 20 changes a second, a frame every 20 ms, for 20 seconds."""

from __future__ import annotations

import gc
import random
import time
from collections.abc import Sequence
from itertools import cycle

import numpy as np

from fingering.table import standard_table
from fingerlead.reading.music import WrittenNote
from fingerlead.timing.live import LiveAnalysis
from fingerlead.timing.results import Settings

SECONDS = 20
NOTE_US = 50_000
FRAME_US = 20_000
RUNG = (0, 2) * 8


def states_of(notes: Sequence[int], seed: int = 1) -> list[tuple[int, int]]:
    """The masks of notes played one after the other, each finger of a change 1 to 6 ms after the one before."""
    chance, standard = random.Random(seed), standard_table().standard
    t_us, mask = 0, standard[notes[0]]
    states = [(t_us, mask)]
    for number, note in enumerate(notes[1:], 1):
        t_us = number * NOTE_US
        fingers = [finger for finger in range(8) if (mask ^ standard[note]) >> finger & 1]
        for finger in chance.sample(fingers, len(fingers)):
            mask ^= 1 << finger
            states.append((t_us, mask))
            t_us += chance.randint(1_000, 6_000)
        states += [(at_us, mask) for at_us in range(t_us, (number + 1) * NOTE_US, FRAME_US)]
    return states


def idle_work_us(notes: Sequence[int], music: Sequence[WrittenNote]) -> np.ndarray:
    """The processor time in µs that the idle moments after each frame took in all."""
    live = LiveAnalysis(standard_table(), Settings(), lambda _: None)
    live.scan(1_000)
    if music:
        live.begin_music(music)
    took = []
    gc.disable()
    for t_us, mask in states_of(notes):
        live.state(t_us, mask)
        begin = time.thread_time()
        while live.idle():
            pass
        took.append(time.thread_time() - begin)
    gc.enable()
    return np.array(took) * 1e6


def live_work_rows() -> list[tuple[str, str, str]]:
    """The work of an idle moment, read freely and against a rung."""
    chance, free = random.Random(2), [0]
    while len(free) < SECONDS * 1_000_000 // NOTE_US:
        free.append(chance.choice([note for note in range(9) if note != free[-1]]))
    rung = [note for _, note in zip(free, cycle(RUNG), strict=False)]
    freely, against = idle_work_us(free, ()), idle_work_us(rung, [WrittenNote(note) for note in RUNG])
    return [
        (
            "live, the reading's work after a frame, 20 changes/s",
            f"99th percentile {np.percentile(freely, 99) / 1e3:.1f} ms freely",
            f"{np.percentile(against, 99) / 1e3:.1f} ms against a rung",
        )
    ]
