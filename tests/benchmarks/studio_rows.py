"""Rows of `make bench` for a large studio: 200 pupils with 10,000 sessions; its page opened, its index made anew."""

from __future__ import annotations

import shutil
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

Row = tuple[str, str, str]
PUPILS, SESSIONS = 200, 50
TODAY = date(2026, 11, 20)


def studio_rows() -> list[Row]:
    """Times of the whole: making the index anew, a tenth of it beside; opening the studio and its page."""
    with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        small_s, _ = _rebuilt(Path(scratch) / "small", PUPILS // 10)
        large_s, large = _rebuilt(Path(scratch) / "large", PUPILS)
        open_s = _opened(Path(scratch) / "large")
    return [
        (
            f"a studio's index made anew, {large:,} sessions",
            f"{large / large_s:.0f} sessions/s",
            f"{large_s / small_s:.1f} × a tenth of it",
        ),
        (f"the page of {PUPILS} pupils with {large:,} sessions", f"{open_s * 1e3:.0f} ms", ""),
    ]


def _rebuilt(folder: Path, pupils: int) -> tuple[float, int]:
    from fingerlead.studio.studio import Studio

    _fill(folder, pupils)
    begin = time.perf_counter()
    with Studio(folder) as studio:
        return time.perf_counter() - begin, len(studio.index.sessions())


def _opened(folder: Path) -> float:
    from fingerlead.faces.pages.desk.first_page import View, first_page
    from fingerlead.studio.studio import Studio

    begin = time.perf_counter()
    with Studio(folder) as studio:
        first_page(studio, TODAY, View())
    return time.perf_counter() - begin


def _fill(folder: Path, pupils: int) -> None:
    """Pupils with copies of fifty sessions; a session is known by its file's name, so that copies count apart."""
    from fingerlead.simulated import chanter, play, script, sensing
    from fingerlead.simulated import scenario as pupil_file
    from fingerlead.simulated import serve as whole
    from fingerlead.studio.invented import Sitting, write_session
    from fingerlead.studio.studio import Studio

    player = pupil_file.load_scenario("mixed").pupil
    with Studio(folder) as studio, tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        files = []
        for seed in range(SESSIONS):
            performance = play.perform(player, script.write_script(player, seed, changes=100), seed)
            data = whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"))
            start = datetime.combine(TODAY, datetime.min.time(), UTC) - timedelta(days=90 - seed * 9 // 5)
            files.append(write_session(Path(scratch) / f"{seed}.session", Sitting(start, data)))
        for number in range(pupils):
            key = studio.add(f"Pupil {number}").key
            studio.change(key, lesson=(TODAY - timedelta(days=7)).isoformat())
            for seed, file in enumerate(files):
                shutil.copyfile(file, studio.of(key) / "sessions" / f"{number * SESSIONS + seed:032x}.session")
