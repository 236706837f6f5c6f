"""The evening, played: a simulated chanter in a process of its own, recorded through its port like any other.

On a pseudo-terminal where the system has them, on a TCP port elsewhere.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

SCENARIO = Path(__file__).with_name("evening.toml")


def play_evening(folder: Path, speed: float, say: Callable[[str], None]) -> Path:
    """Play, record, analyse and report; returns the report's path. Raises Problem."""
    from fingering.table import standard_table
    from host.faces.cli.analyse_command import text_lines
    from host.faces.cli.options import analysed
    from host.faces.cli.problem import Problem
    from host.faces.report.page import write_report
    from host.live.reader import Reader
    from host.live.recording import Recording, record
    from host.live.sources import open_source
    from host.simulated.pupil_file import load_sitting
    from host.store.session_file import SessionWriter

    sitting = load_sitting(str(SCENARIO))
    say(" ".join(sitting.about.split()))
    folder.mkdir(parents=True, exist_ok=True)
    session, truth, page = (folder / name for name in ("evening.session", "evening.truth", "evening.html"))
    for old in (session, truth, page):
        old.unlink(missing_ok=True)
    place = "pty" if sys.platform != "win32" else "tcp:0"
    command = [
        sys.executable, "-m", "host.faces.cli.main", "simulate", "--on", place, "--pupil", str(SCENARIO),
        "--truth", str(truth), "--speed", str(speed),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        try:
            assert simulator.stdout is not None
            port = simulator.stdout.readline().removeprefix("listening on ").strip()
            if not port:
                raise Problem("the simulated chanter did not start; try: fingerlead simulate --on pty")
            say(f"\nA simulated chanter plays on {port}, {speed:g} times as fast as life; recording {session} ...")
            reader = Reader(lambda: open_source(port)).start()
            kept = Recording(SessionWriter(session, "stream", port))
            record(reader, kept, lambda _: None, lambda: simulator.poll() is not None)
        finally:
            simulator.terminate()
    loaded, analysis = analysed(session, standard_table())
    say("")
    for line in text_lines(loaded, analysis):
        say(line)
    write_report([(session, analysis)], page)
    say(f"\nThe report for the teacher: {page.resolve()}")
    say(f"What the simulated fingers truly did: {truth}")
    return page
