"""Playing for the tests: notes and fingers over time, with faults put in on purpose."""

from __future__ import annotations

import random

import numpy as np

from fingering.table import standard_table
from fingerlead.reading.music import Music
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_for
from fingerlead.wire.events import Record

STANDARD = standard_table().standard
HELD_US = 400_000


class Fingers:
    """Eight fingers that go from mask to mask, each a little scattered; keeps every edge."""

    def __init__(self, seed=0, scatter_us=3_000):
        self.random, self.scatter_us = random.Random(seed), scatter_us
        self.now_us = 0
        self.edges = []
        self.mask = None

    def to(self, mask, held_us=HELD_US, idle=0):
        """Move to a mask, with the fingers of `idle` open against it, and hold it."""
        mask &= ~idle
        if self.mask is None:
            self.edges.append((self.now_us, mask))
        else:
            moving = [finger for finger in range(8) if (mask ^ self.mask) >> finger & 1]
            # Lifts first, then lowerings: no order of these sounds a third note (computed from the table).
            order = sorted(
                moving,
                key=lambda finger: (self.mask >> finger & 1 == 0, finger * (1 if self.mask >> finger & 1 else -1)),
            )
            at_us, standing = self.now_us, self.mask
            for finger in order:
                at_us += 1_000 + abs(int(self.random.gauss(0, self.scatter_us)))
                standing ^= 1 << finger
                self.edges.append((at_us, standing))
            self.now_us = at_us
        self.mask = mask
        self.now_us += held_us
        return self

    def play(self, notes, held_us=HELD_US):
        for note in notes:
            self.to(STANDARD[note], held_us)
        return self

    def analysis(self, written=(), doubts=()):
        """What was played, read against these written notes."""
        edges = [edge for place, edge in enumerate(self.edges) if place == 0 or edge[1] != self.edges[place - 1][1]]
        record = Record(
            np.array([at_us for at_us, _ in edges], dtype=np.int64),
            np.array([mask for _, mask in edges], dtype=np.uint8),
            self.now_us,
            list(doubts),
        )
        timing = timing_for("chanter", 1_000, KnownSkew(3_000))
        return analyse(record, standard_table(), timing, musics=(Music(tuple(written)),))
