"""Floods a page for so many seconds while a pupil plays: python -m tests.end_to_end.soak_flood SECONDS

Strangers hold 1,500 connections, more than there are descriptors, and make them anew as fast as they can. Wants each
request of a page that is in to be answered, and the session to have lost nothing.
"""

from __future__ import annotations

import json
import resource
import signal
import sys
import tempfile
import time
from pathlib import Path

from fingerlead.store.session_reading import read_session, session_record
from tests.end_to_end.test_e2e_flood import Flood
from tests.end_to_end.test_e2e_practice import Practice, fingerlead
from tests.waiting import PATIENCE_S

HELD = 1_500
FLOODS = 3


def main(seconds: float) -> None:
    """Flood until the time is up, then look at what was kept."""
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (1_024, hard))
    with tempfile.TemporaryDirectory() as folder:
        chanter = fingerlead("simulate", "--on", "tcp:0", "--seed", 5, "--for", seconds + 60)
        assert chanter.stdout is not None
        running = Practice(
            Path(folder), chanter.stdout.readline().removeprefix("listening on ").strip(), "--rung", "low-g-b"
        )
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 3 * HELD), hard))
        floods = [Flood(running.host, HELD // FLOODS) for _ in range(FLOODS)]
        changes, loads, longest_s, longest_silence_s = 0, 0, 0.0, 0.0
        with running.page() as page, floods[0], floods[1], floods[2]:
            end_s = time.monotonic() + seconds
            heard_s = time.monotonic()
            while time.monotonic() < end_s:
                changes += json.loads(page.recv(timeout=PATIENCE_S))["kind"] == "change"
                longest_silence_s, heard_s = max(longest_silence_s, time.monotonic() - heard_s), time.monotonic()
                if int(end_s - heard_s) % 2:
                    continue
                assert running.get("/").status_code == 200
                loads, longest_s = loads + 1, max(longest_s, time.monotonic() - heard_s)
                heard_s = time.monotonic()
        _, said = running.ended(signal.SIGINT)
        chanter.kill()
        chanter.communicate()
        assert (running.process.returncode, said) == (0, "")
        (session,) = running.sessions()
        stored = read_session(session)
        assert stored.marks == []
        assert session_record(stored).doubts == []
    made = sum(flood.made for flood in floods)
    print(f"{made} connections of strangers in {seconds:g} s; {changes} changes told, none lost.")
    print(f"The page was loaded anew {loads} times, in {1_000 * longest_s:.0f} ms at the longest;")
    print(f"the page that was in waited {1_000 * longest_silence_s:.0f} ms for its next word at the longest.")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
