"""Rows of `make bench` about live lessons: from the pupil's frame to the teacher's analysed state, and what one costs.

Both ends run in one process, over a relay on this machine (NATS's own server, encrypted) and directly; frames come when
they are due, as a chanter sends them. The time is from the frame's arrival at the pupil's program to when the teacher's
has analysed its state, and could draw it.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

Row = tuple[str, str, str]
FOR_US = 10_000_000


def lesson_rows() -> list[Row]:
    """By relay, where NATS's server is installed, and directly."""
    rows = []
    if shutil.which("nats-server") or shutil.which("nats-server", path="/usr/sbin"):
        rows.append(_row("by a relay over TLS", _by_relay))
    return [*rows, _row("directly", _directly)]


def _row(how: str, opened: Callable) -> Row:
    with tempfile.TemporaryDirectory(prefix="fingerlead-") as folder:
        lines = opened(Path(folder))
        try:
            took_us, busy, sent = _lesson(lines)
        finally:
            lines.close()
    middle, late = np.percentile(took_us, (50, 95)) / 1e3
    return (
        f"a live lesson {how}, pupil's frame to teacher's analysed state",
        f"median {middle:.1f} ms, 95th percentile {late:.1f} ms",
        f"both ends take {busy:.0%} of a core; the pupil's sends {sent:,.0f} bytes/s",
    )


def _lesson(lines) -> tuple[list[float], float, float]:
    """µs for each frame, the share of a core that both ends take, and bytes a second."""
    from fingering.table import standard_table
    from fingerlead.lesson.copying import copy_into
    from fingerlead.lesson.end import Glimpsed, LessonEnd, Took
    from fingerlead.lesson.entries import Consent, Ending
    from fingerlead.lesson.running import LessonRun
    from fingerlead.lesson.watching import Watched
    from fingerlead.listening.listening import Listening
    from fingerlead.ports.base import Chunk, now_us
    from fingerlead.wire.events import State
    from tests.lesson.lessons import SECRET, played
    from tests.waiting import wait_for

    came: dict[int, int] = {}
    seen: dict[int, int] = {}
    sent = [0]

    def told(what: object, timing: object, sureness: str) -> None:
        if isinstance(what, State) and what.host_us is not None:
            seen.setdefault(what.host_us, now_us())

    watched = Watched(standard_table(), told)

    def took(event: object, at_us: int) -> None:
        if isinstance(event, Took | Glimpsed):
            watched.take(event)

    pupil = Listening(standard_table(), lambda what, timing: None)
    runs = [
        LessonRun(LessonEnd("pupil", SECRET, now_us()), lines.pupil, lambda event, at_us: None),
        LessonRun(LessonEnd("teacher", SECRET, now_us()), lines.teacher, took),
    ]
    send = lines.pupil.send

    def counted(lane, packet) -> None:
        sent[0] += len(packet)
        send(lane, packet)

    lines.pupil.send = counted
    copy_into(pupil, runs[0].ask)
    for run in reversed(runs):
        run.start()
    wait_for(lambda: all(run.end.phase == "agreed" for run in runs), "the keys")
    for run in runs:
        run.ask(Consent())
    wait_for(lambda: all(run.end.phase == "open" for run in runs), "the lesson")
    begun_us, busy_s, bytes_before = now_us(), time.process_time(), sent[0]
    for t_us, data in played(FOR_US):
        while (left_us := begun_us + t_us - now_us()) > 0:
            time.sleep(left_us / 1e6)
        at_us = now_us()
        came[at_us] = at_us
        pupil.take(Chunk(data, at_us), "stream")
    lasted_s = (now_us() - begun_us) / 1e6
    busy, rate = (time.process_time() - busy_s) / lasted_s, (sent[0] - bytes_before) / lasted_s
    runs[0].ask(Ending())
    wait_for(lambda: all(run.end.phase == "over" for run in runs), "the end")
    for run in runs:
        run.stop()
        assert run.end.whole
    return [float(seen[at_us] - at_us) for at_us in came if at_us in seen], busy, rate


def _by_relay(folder: Path):
    from tests.lesson.test_lesson_lines import RelayLines

    return RelayLines(folder, tls=True)


def _directly(folder: Path):
    import aioice.ice

    from tests.lesson.test_lesson_lines import DirectLines

    before = aioice.ice.get_host_addresses
    aioice.ice.get_host_addresses = lambda use_ipv4, use_ipv6: ["127.0.0.1"]
    try:
        return DirectLines(folder)
    finally:
        aioice.ice.get_host_addresses = before
