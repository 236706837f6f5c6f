"""Plays for so many seconds as fast as it goes, live and recorded, with damage: python -m tests.end_to_end.soak SECONDS

Wants the live results to be those of the file, and memory to grow with nothing but the results themselves.
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

from fingering.table import standard_table
from fingerlead.listening.listening import Listening
from fingerlead.ports.base import Chunk
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_frames
from fingerlead.store.intake import load
from fingerlead.store.session_file import SessionWriter
from fingerlead.timing.analysis import analyse
from fingerlead.timing.live import LiveResult
from fingerlead.timing.results import Change
from fingerlead.timing.timeline import timing_of

CHANGES = 500
DAMAGED = 0.001


def session(seed: int, path: Path) -> tuple[int, int]:
    """One session, live and from its file; returns how many changes there were and how many were uncertain."""
    chance = random.Random(seed)
    pupil = load_scenario("mixed").pupil
    performance = perform(pupil, write_script(pupil, seed, CHANGES, None), seed)
    told: dict[int, Change] = {}

    def hear(what: object, _: object) -> None:
        if isinstance(what, LiveResult) and isinstance(what.result, Change):
            told[what.result.number] = what.result

    listening = Listening(standard_table(), hear, keep=SessionWriter(path, "stream", "soak"))
    for t_us, frame in wire_frames(performance, setup_for(seed, 1_000, None), sensors("noisy")):
        if chance.random() < DAMAGED:
            at = chance.randrange(len(frame))
            frame = frame[:at] + bytes([frame[at] ^ 1 << chance.randrange(8)]) + frame[at + 1 :]
        listening.take(Chunk(frame, t_us), "stream")
        listening.tick(t_us)
    listening.close()
    loaded = load(path)
    batch = analyse(loaded.record, standard_table(), timing_of(loaded.record, loaded.kind))
    assert list(batch.changes) == [told[number] for number in sorted(told)], f"seed {seed}: live and file differ"
    path.unlink()
    return len(told), sum(change.verdict == "uncertain" for change in told.values())


def main(seconds: float) -> None:
    """Sit after sit until the time is up."""
    begin, seed, changes, uncertain, settled_kb = time.monotonic(), 0, 0, 0, 0
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() - begin < seconds:
            some, doubtful = session(seed, Path(folder) / "soak.session")
            seed, changes, uncertain = seed + 1, changes + some, uncertain + doubtful
            if seed == 5:
                settled_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - (settled_kb or 1 << 40)
    print(f"{seed} sessions, {changes} changes, {uncertain} uncertain; live and file agree in all.")
    print(f"Memory grew by {max(grown_kb, 0)} kB after the fifth.")
    assert grown_kb < 20_000, "memory grows"


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
