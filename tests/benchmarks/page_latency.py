"""From the last byte of a frame, written to a pseudo-terminal, to the changed picture in a real headless Chromium.

The whole of `fingerlead practice` runs in its own process, saving a session; a page is open at it, and ten notes a
second are played, each reached by a mask on the way: up to twenty changes of the holes a second. A picture counts as
changed when the frame that shows it has been painted (a message that the page sends itself while it prepares that
frame, and hears after it). Times are the system's clock in both processes.

`python -m tests.benchmarks.page_latency 3600` measures for an hour.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.live_latency import Player
from tests.benchmarks.playing import wire_frames
from tests.end_to_end.chromium import CHROMIUM, FLAGS

SECONDS = 20
NOTE_US = 100_000
ON_THE_WAY_US = 15_000
STAND_STILL_US = 3_000_000
NOTES = (0, 1, 2, 4, 3, 5, 2, 6, 1, 7)
OWN_FLAGS = ["--js-flags=--expose-gc", "--enable-precise-memory-info"]
WATCH = """
window.seen = []; window.painted = 0; let last = null;
const holes = () => [...document.querySelectorAll('#chanter .hole:not(.small)')].sort((a, b) =>
  a.querySelector('circle').cy.baseVal.value - b.querySelector('circle').cy.baseVal.value)
  .reduce((mask, hole, i) => mask | hole.classList.contains('covered') << i, 0);
function look() {
  window.painted += 1;
  const mask = holes();
  if (mask !== last) {
    last = mask;
    const line = new MessageChannel();
    line.port1.onmessage = () => {
      window.seen.push([performance.timeOrigin + performance.now(), mask]);
      line.port1.close();
    };
    line.port2.postMessage(0);
  }
  requestAnimationFrame(look);
}
addEventListener("DOMContentLoaded", () => requestAnimationFrame(look));
"""


@dataclass(frozen=True, slots=True)
class PageLatency:
    """`latency_ms` float64[n] of the changes whose picture was seen, `missed` of those whose was not.

    Frames painted a second, the share of a core that the program took, and by how many MB the page's heap and the
    program's resident memory grew in the second half.
    """

    latency_ms: np.ndarray
    missed: int
    frames_a_second: float
    program_share: float
    idle_share: float
    heap_grew_mb: float
    program_grew_mb: float
    seconds: float


def page_latency(seconds: int = SECONDS) -> PageLatency:
    """Play for so long to a page and look."""
    from playwright.sync_api import sync_playwright

    from fingering.table import standard_table

    standard = standard_table().standard
    count = seconds * 1_000_000 // NOTE_US
    wanted = [standard[NOTES[number % len(NOTES)]] for number in range(count + 1)]
    between = [a ^ (a ^ b) & -(a ^ b) for a, b in pairwise(wanted)]  # the topmost finger has gone ahead
    covered = np.array([mask for pair in zip(wanted, between, strict=False) for mask in pair], dtype=np.uint8)
    notes_us = STAND_STILL_US + NOTE_US * np.arange(count, dtype=np.int64)
    edge_us = np.append(np.stack([notes_us, notes_us + NOTE_US - ON_THE_WAY_US], axis=1), notes_us[-1] + NOTE_US)
    frames = wire_frames(edge_us, covered)
    player = Player(frames)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as started:
        program, address = _practice(Path(folder), player.name)
        browser = started.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, *OWN_FLAGS])
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.add_init_script(WATCH)
            page.goto(address)
            page.wait_for_timeout(1_000)
            idle = _used_s(program.pid)
            page.wait_for_timeout(2_000)
            idle_share = (_used_s(program.pid) - idle) / 2
            offset_ns = time.time_ns() - time.perf_counter_ns()
            player.start()
            page.wait_for_timeout((STAND_STILL_US + NOTE_US) // 1_000)
            begin_s, used_s, painted = time.perf_counter(), _used_s(program.pid), page.evaluate("painted")
            page.wait_for_timeout(seconds * 500)
            heap, resident = _heap(page), _resident(program.pid)
            page.wait_for_timeout(seconds * 500)
            took_s = time.perf_counter() - begin_s
            frames_a_second = (page.evaluate("painted") - painted) / took_s
            share = (_used_s(program.pid) - used_s) / took_s
            heap_grew, resident_grew = _heap(page) - heap, _resident(program.pid) - resident
            seen = page.evaluate("seen")
            written_ns = player.times()
        finally:
            browser.close()
            program.send_signal(signal.SIGINT)
            program.communicate()
    written = _notes(frames, written_ns, offset_ns)
    latency_ms, missed = _matched(written, seen)
    return PageLatency(
        latency_ms, missed, frames_a_second, share, idle_share, heap_grew / 1e6, resident_grew / 1e6, took_s
    )


def page_rows(seconds: int = SECONDS) -> list[tuple[str, str, str]]:
    """For `make bench`."""
    took = page_latency(seconds)
    middle, late = np.percentile(took.latency_ms, [50, 95])
    return [
        (
            f"page, byte to picture ({len(took.latency_ms):,} notes, {took.missed} not seen)",
            f"median {middle:.0f} ms, 95th percentile {late:.0f} ms",
            f"{took.frames_a_second:.0f} frames a second",
        ),
        (
            f"practice with a page at 20 changes a second, {took.seconds:.0f} s",
            f"{took.program_share:.0%} of a core; {took.idle_share:.1%} while idle",
            f"in its second half the page's heap grew by {took.heap_grew_mb:.1f} MB, the program by "
            f"{took.program_grew_mb:.1f} MB",
        ),
    ]


def _practice(folder: Path, port: str) -> tuple[subprocess.Popen[str], str]:
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "practice", "--no-browser", "--no-sound", "--folder"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    program = subprocess.Popen([*command, str(folder), port], stdout=subprocess.PIPE, text=True, env=environment)
    assert program.stdout is not None
    found = re.search(r"http://\S+", program.stdout.readline())
    assert found
    return program, found[0]


def _notes(frames: list[tuple[int, bytes]], written_ns: list[int], offset_ns: int) -> list[tuple[float, int]]:
    """When each note's own mask was written where another stood, in ms of the system's clock, and the mask."""
    from fingerlead.wire.events import State
    from fingerlead.wire.link import HostLink

    link, found, last = HostLink(), [], None
    for (t_us, data), at_ns in zip(frames, written_ns, strict=True):
        for event in link.receive(data, None):
            if isinstance(event, State):
                if event.covered_mask != last and (t_us - STAND_STILL_US) % NOTE_US == 0:
                    found.append(((at_ns + offset_ns) / 1e6, event.covered_mask))
                last = event.covered_mask
    return found[1:]


def _matched(written: list[tuple[float, int]], seen: list[list[float]]) -> tuple[np.ndarray, int]:
    """Each change with the first picture of its mask before the mask comes again."""
    took = []
    for place, (at_ms, mask) in enumerate(written):
        again = next((later for later, other in written[place + 1 :] if other == mask), np.inf)
        first = next((seen_ms for seen_ms, shown in seen if shown == mask and at_ms <= seen_ms < again), None)
        if first is not None:
            took.append(first - at_ms)
    return np.array(took), len(written) - len(took)


def _heap(page: Any) -> int:
    return int(page.evaluate("(gc(), performance.memory.usedJSHeapSize)"))


def _used_s(pid: int) -> float:
    """Processor time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


if __name__ == "__main__":
    for row in page_rows(int(sys.argv[1]) if len(sys.argv) > 1 else SECONDS):
        print(" | ".join(row))
