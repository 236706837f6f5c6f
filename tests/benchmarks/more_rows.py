"""Rows of `make bench` beside the analysis: recordings that are odd all the way, sheets."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

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
