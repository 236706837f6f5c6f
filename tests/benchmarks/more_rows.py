"""Rows of `make bench` beside the analysis: recordings that are odd all the way, alignment with a tune, sheets."""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

Row = tuple[str, str, str]
BestOf = Callable[[int, Callable[[], object]], float]


def wire_rows(best_of: BestOf) -> list[Row]:
    """A recording in which every other frame is lost: ten times as long must cost about ten times as much."""
    from fingerlead.wire.carriers import to_stream
    from fingerlead.wire.columns import read_record
    from fingerlead.wire.messages import Holes, encode

    def odd(count: int) -> bytes:
        return b"".join(to_stream(encode(Holes(2 * i & 0xFFFF, 1_000 * i, i & 0xFF))) for i in range(count))

    short, long = odd(16_000), odd(160_000)
    short_s, long_s = best_of(3, lambda: read_record(short)), best_of(2, lambda: read_record(long))
    return [
        (
            "a recording with every other frame lost, 160,000 frames",
            f"{long_s * 1e3:.0f} ms",
            f"{long_s / short_s:.1f} × one a tenth as long",
        )
    ]


def music_rows(best_of: BestOf) -> list[Row]:
    """Playing held against a tune: an hour at once, and note by note."""
    from fingerlead.music.align import Aligner, PlayedNote, align

    chance = random.Random(5)
    tune = [0]
    while len(tune) < 400:
        tune.append(chance.choice([note for note in range(9) if note != tune[-1]]))
    notes = [tune[i % len(tune)] for i in range(20_000)]
    for place in range(0, len(notes), 37):
        notes[place] = chance.choice([note for note in range(9) if note not in notes[max(place - 1, 0) : place + 2]])
    playing = [PlayedNote(note, i * 180_000, (i + 1) * 180_000) for i, note in enumerate(notes)]
    hour_s = best_of(3, lambda: align(tune, playing))
    tenth_s = best_of(3, lambda: align(tune, playing[:2_000]))
    aligner, took = Aligner(tune), []
    for note in playing[:5_000]:
        begin = time.perf_counter()
        aligner.feed(note)
        took.append(time.perf_counter() - begin)
    return [
        ("aligning an hour, 20,000 notes", f"{hour_s * 1e3:.0f} ms", f"{hour_s / tenth_s:.1f} × a tenth of it"),
        ("aligning live, a note", f"99th percentile {np.percentile(took, 99) * 1e3:.2f} ms", ""),
    ]


def sheet_rows(best_of: BestOf) -> list[Row]:
    """A page engraved anew, and the same from the cache."""
    import os
    import subprocess

    program = Path(sys.executable).with_name("fingerlead")
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "XDG_CACHE_HOME": folder}
        command = [program, "sheet", "low-g-b", "-o", str(Path(folder) / "rung.pdf")]

        def page() -> None:
            subprocess.run(command, check=True, capture_output=True, env=environment)

        anew_s = best_of(1, page)
        cached_s = best_of(5, page)
    return [
        ("a sheet of one page, as a whole process", f"{anew_s * 1e3:.0f} ms", f"from the cache {cached_s * 1e3:.0f} ms")
    ]
