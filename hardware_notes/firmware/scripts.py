"""Scripts for a chanter without hardware: what its sensors see, what the host says, what goes wrong, each at its time.

.venv/bin/python hardware_notes/firmware/scripts.py [--pupil NAME] [--seed N] [--changes N] > SCRIPT

writes a simulated pupil's playing as samples. The format is described in boards/script.h.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

SAMPLES, BYTES, AWAY, BACK, HANG, STORAGE, STATE, OVERSLEEP, END, DARK = range(10)
OWN, COUNTED, LED = range(3)
BYTES_PER_RECORD = 15
COUNTED_STEP_US = 5


def header(clock: int, start_us: int = 0, records: int = 0) -> bytes:
    """What a script begins with: OWN, COUNTED or LED, and how many records follow at once."""
    return struct.pack("<4sB3xII", b"FLS1", clock, start_us, records)


def record(at_us: int, kind: int, body: bytes = b"") -> bytes:
    """One record."""
    return struct.pack("<IB16s", at_us, kind, body)


@dataclass
class Script:
    """Records in the making. `counted` is the clock that goes on by its readings alone, the same on every board."""

    counted: bool = True
    start_us: int = 0
    records: list[tuple[int, int, bytes]] = field(default_factory=list)

    def samples(self, at_us: int, samples: Sequence[int]) -> None:
        """From now on the sensors show these eight samples."""
        self.records.append((at_us, SAMPLES, struct.pack("<8H", *samples)))

    def mask(self, at_us: int, covered_mask: int, open_raw: int = 100, covered_raw: int = 900) -> None:
        """From now on these holes are covered."""
        self.samples(at_us, [covered_raw if covered_mask >> hole & 1 else open_raw for hole in range(8)])

    def host_says(self, at_us: int, data: bytes) -> None:
        """Bytes from the host, all at once."""
        for start in range(0, len(data), BYTES_PER_RECORD):
            piece = data[start : start + BYTES_PER_RECORD]
            self.records.append((at_us, BYTES, bytes((len(piece),)) + piece))

    def happens(self, at_us: int, kind: int, value: int = 0) -> None:
        """AWAY, BACK, HANG, STORAGE, STATE, OVERSLEEP or END, with its number."""
        self.records.append((at_us, kind, struct.pack("<I", value)))

    def as_bytes(self) -> bytes:
        """The whole script; records of one time stay in the order in which they were added."""
        ordered = sorted(self.records, key=lambda one: one[0])
        clock = COUNTED if self.counted else OWN
        return header(clock, self.start_us, len(ordered)) + b"".join(record(*one) for one in ordered)


def pupil_script(pupil_name: str, seed: int, changes: int, every_us: int) -> Script:
    """A simulated pupil's playing; PupilError where there is no such pupil."""
    sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "host")]
    from fingerlead.simulated.play import perform
    from fingerlead.simulated.scenario import load_scenario
    from fingerlead.simulated.script import write_script
    from fingerlead.simulated.sensing import CHUNK, Heights, sensors

    pupil = load_scenario(pupil_name).pupil
    performance = perform(pupil, write_script(pupil, seed, changes=changes), seed)
    heights = Heights(performance, sensors(), every_us, 0)
    script = Script(counted=False)
    last = heights.scan_from(performance.end_us)
    for first in range(0, last, CHUNK):
        rows = heights.samples(first, min(last, first + CHUNK)).tolist()
        for scan, row in enumerate(rows, first):
            script.samples(heights.time_us(scan), row)
    script.happens(performance.end_us + 200_000, END)
    return script


def main() -> None:
    """Write a pupil's playing to the standard output."""
    import argparse

    parser = argparse.ArgumentParser(description="A simulated pupil's playing as a script of samples.")
    parser.add_argument("--pupil", default="mixed", help="a built-in pupil or a pupil file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--changes", type=int, default=50)
    parser.add_argument("--every-us", type=int, default=500, help="one set of samples every so many microseconds")
    given = parser.parse_args()
    if given.changes < 1 or given.every_us < 1:
        sys.exit("expected at least one change and one microsecond")
    try:
        script = pupil_script(given.pupil, given.seed, given.changes, given.every_us)
    except ValueError as error:
        sys.exit(str(error))
    except ModuleNotFoundError as error:
        sys.exit(
            f"expected the Python of the program's .venv, but this one has no {error.name}; run "
            "../../.venv/bin/python scripts.py (make demo in the project's folder makes it)"
        )
    sys.stdout.buffer.write(script.as_bytes())


if __name__ == "__main__":
    main()
