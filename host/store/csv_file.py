"""Lists of hole states as CSV: the header `time_us,holes`, then a row for each state.

`time_us` is an integer that never falls, `holes` eight letters, `x` covered and `o` open, from the thumb down.
"""

from __future__ import annotations

import re

import numpy as np

from fingering.holes import HolesError, from_text, to_text
from host.wire.record import Intake, Record

HEADER = "time_us,holes"
# Nothing plays for longer: 200 000 years in microseconds leave room to reckon with in 64 bits.
GREATEST_US = 1 << 62
LONGEST_TIME = 24
WHOLE = re.compile(r"[+-]?[0-9]+")


class RowError(ValueError):
    """A row that cannot be used. `line` counts from 1, `reason` is what was expected and what came."""

    def __init__(self, line: int, reason: str) -> None:
        self.line, self.reason = line, reason
        super().__init__(f"line {line}: {reason}")


def looks_like_csv(data: bytes) -> bool:
    """Whether the first line is the header, whatever its line end."""
    first = data.removeprefix(b"\xef\xbb\xbf")[:100].split(b"\n", 1)[0]
    return first.strip().replace(b" ", b"") == HEADER.encode()


def read_csv(data: bytes) -> Record:
    """Read the rows; raises RowError."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RowError(line, "expected plain text (UTF-8), but there are other bytes") from None
    known = {to_text(mask): mask for mask in range(256)}
    times: list[int] = []
    masks: list[int] = []
    for number, row in enumerate(text.splitlines()[1:], start=2):
        if not row.strip():
            continue
        cells = [cell.strip() for cell in row.split(",")]
        if len(cells) != 2:
            raise RowError(number, f"expected two values, a time and the holes; got {len(cells)}: {_shown(row)}")
        if not WHOLE.fullmatch(cells[0]):
            raise RowError(number, f"expected a time in whole microseconds; got {_shown(cells[0])}")
        # Whatever is longer is too great as well, and slow to read as a number.
        t_us = int(cells[0][:LONGEST_TIME])
        if len(cells[0]) > LONGEST_TIME or abs(t_us) > GREATEST_US:
            raise RowError(number, f"expected a time in microseconds; {_shown(cells[0])} is beyond all playing")
        mask = known.get(cells[1])
        if mask is None:
            try:
                mask = from_text(cells[1][:40])
            except HolesError as error:
                raise RowError(number, str(error)) from None
        if times and t_us < times[-1]:
            raise RowError(number, f"expected a time of {times[-1]} or later, as times never go back; got {t_us}")
        times.append(t_us)
        masks.append(mask)
    if not times:
        raise RowError(2, "expected a row with a time and the holes; the file ends after its header")
    t_us = np.array(times, dtype=np.int64)
    t_us -= t_us[0]
    return Record(t_us, np.array(masks, dtype=np.uint8), int(t_us[-1]), intake=Intake(frames=len(times)))


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:39] + "…")
