"""Sessions for the tests of the studio, as a simulated pupil plays them."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from fingerlead.simulated import chanter, play, script, sensing
from fingerlead.simulated import scenario as pupil_file
from fingerlead.simulated import serve as whole
from fingerlead.store.session_file import SessionWriter
from fingerlead.studio.index import Index
from fingerlead.studio.studio import Studio, forget_index

FIRST_DAY = datetime(2026, 9, 1, 18, tzinfo=UTC)


@cache
def playing(seed: int = 1, changes: int = 12, name: str = "mixed") -> bytes:
    pupil = pupil_file.load_scenario(name).pupil
    performance = play.perform(pupil, script.write_script(pupil, seed, changes=changes), seed)
    return whole.wire_bytes(performance, chanter.setup_for(seed), sensing.sensors("usual"))


def write(path: Path, data: bytes, day: int = 0, settings=None) -> Path:
    with SessionWriter(path, "stream", "sim", settings, FIRST_DAY + timedelta(days=day)) as writer, writer.at_once():
        writer.tell(levels_at="seal")  # as of a chanter that was calibrated here
        for start in range(0, len(data), 60):
            writer.append(data[start : start + 60], start * 500)
    return path


def put(path: Path, data: bytes) -> Path:
    """A file as another program puts it there: whole, and with the time at which it was written elsewhere."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (1_000_000_000, 1_000_000_000))
    return path


def rebuild(studio: Studio) -> int:
    """Make the index anew, as `fingerlead studio --rebuild` does; how many sessions there are."""
    studio.index.close()
    forget_index(studio.folder)
    studio.index = Index(studio.folder)
    return studio.catch_up()
