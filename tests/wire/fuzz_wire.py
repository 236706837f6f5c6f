"""Hammers the wire with invented and damaged streams for so many seconds: python -m tests.wire.fuzz_wire SECONDS [SEED]

Each round plays a random script, hurts the bytes, cuts them into random reads, and wants the arrays to read what the
link reads. A failure prints the seed that brings it back.
"""

from __future__ import annotations

import random
import sys
import time
from contextlib import suppress

import numpy as np

from fingerlead.wire import bulk, columns
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.link import ChanterLink, HostLink
from tests.wire.wire_streams import as_plain, collect, hurt, pieces_of, play

STEPS = {
    "holes": (20, lambda chance: chance.randrange(256)),
    "wait": (20, lambda chance: chance.choice((0, 1, 999, 60_000, 250_000, 2**31 - 1, 2**31, chance.randrange(2**32)))),
    "raw": (5, lambda chance: chance.choice((0, 0, 3_000))),
    "slope": (5, lambda chance: chance.choice((0, 0, 6, 3_000))),
    "lasting": (2, lambda chance: chance.choice((0, 1, 8, 9, 1_300))),
    "trouble": (1, lambda chance: chance.choice((0, 1, 300_000))),
    "restart": (1, lambda chance: chance.choice((0, 52, 4_294_900_000))),
    "again": (2, lambda chance: chance.randrange(40)),
    **dict.fromkeys(
        ("lose", "hello", "boot", "other", "short", "long", "swap", "swap device"),
        (1, lambda chance: chance.randrange(9)),
    ),
}
HARM = ("flip", "drop", "double", "insert", "cut head", "cut tail")


def one_round(seed: int) -> None:
    """One stream, read both ways; raises AssertionError where they differ."""
    chance = random.Random(seed)
    carrier = chance.choice(("stream", "sysex"))
    names, weights = list(STEPS), [STEPS[name][0] for name in STEPS]
    drawn = chance.choices(names, weights, k=chance.choice((5, 50, 500)))
    script = [(name, STEPS[name][1](chance)) for name in drawn]
    stream = b"".join(play(script, carrier, chance.choice((0, 4_294_900_000))))
    stream = hurt(
        stream, [(chance.choice(HARM), chance.random(), chance.randrange(256)) for _ in range(chance.choice((0, 1, 9)))]
    )
    if chance.random() < 0.1:
        stream = chance.randbytes(chance.randrange(3000))
    offsets = sorted({0, *(chance.randrange(len(stream) + 1) for _ in range(chance.randrange(30)))})
    host_us = np.cumsum([chance.choice((0, 1, 1000, 3_000_000, -5)) for _ in offsets]) + 10_000_000
    arrivals = np.stack((np.array(offsets), host_us), axis=1)
    columns.ONE_BY_ONE, columns.FIRST_RUN, bulk.SLAB = chance.choice(((1, 3, 40), (64, 1024, 1 << 18), (2, 50, 500)))
    expected = as_plain(collect(HostLink(carrier, patience_us=None), pieces_of(stream, arrivals)))
    assert as_plain(columns.read_record(stream, arrivals, carrier)) == expected
    ChanterLink(carrier).receive(stream)
    with suppress(NotAChanter):
        collect(HostLink(carrier), pieces_of(stream, arrivals))


def main(seconds: float, seed: int | None) -> None:
    """Rounds until the time is up; one round where a seed is given."""
    if seed is not None:
        one_round(seed)
        return
    started, rounds = time.monotonic(), 0
    seed = time.time_ns()
    while time.monotonic() - started < seconds:
        try:
            one_round(seed + rounds)
        except Exception:
            print(f"failed: python -m tests.wire.fuzz_wire 0 {seed + rounds}", file=sys.stderr)
            raise
        rounds += 1
    print(f"the wire: {rounds} streams read both ways in {seconds:g} s, all the same")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10, int(sys.argv[2]) if len(sys.argv) > 2 else None)
