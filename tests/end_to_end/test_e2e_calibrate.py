"""The program calibrates a chanter on a PTY, whose hand skips steps, and whose cable is pulled in the middle."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import subprocess
import sys
import threading
import time
import tty

from fingerlead.ports.simulated_port import HandsPort
from fingerlead.store.chanters import load_calibration
from fingerlead.workbench.guidance import ask_words
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.workbench import AWAY_WORDS

FASTER = 8  # a chanter's time, and its hands', than the host's
# From one look to the next its time goes on by this at most: on a busy machine it is slower, and never falls silent.
STEP_US = 100_000
HALF = PLAN.index(("half", 1))
PULLED_AT = PLAN.index(("covered", 4))
AWAY_S = 0.5


class Cable:
    """A chanter at a name that stays, whichever PTY is behind it; `pull` takes it away, `plug_in` starts it anew."""

    def __init__(self, path):
        self.path, self.ends, self.over, self.asks, self.now_us = path, None, False, [], 0
        self.plug_in()
        self.thread = threading.Thread(target=self.serve)
        self.thread.start()

    def plug_in(self):
        self.port = HandsPort(seed=5, clock=lambda: self.now_us)
        master, slave = pty.openpty()
        tty.setraw(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        self.ends = master, slave

    def pull(self):
        self.path.unlink()
        for end in self.ends:
            os.close(end)
        self.ends = None

    def serve(self):
        before_ns = time.perf_counter_ns()
        while not self.over:
            at_ns = time.perf_counter_ns()
            self.now_us += min((at_ns - before_ns) * FASTER // 1_000, STEP_US)
            before_ns = at_ns
            while self.asks:
                what = self.asks.pop(0)
                if what == "pull":
                    self.pull()
                    time.sleep(AWAY_S)
                    self.plug_in()
                else:
                    self.port.asked(*what)
            master = self.ends[0]
            if select.select([master], [], [], 0.005)[0]:
                self.port.write(os.read(master, 4_096))
            for chunk in self.port.read(0):
                with contextlib.suppress(BlockingIOError):
                    os.write(master, chunk.data)

    def close(self):
        self.over = True
        self.thread.join()
        self.pull()


def test_a_hand_that_skips_a_step_and_a_pulled_cable_blame_no_sensor(tmp_path):
    cable = Cable(tmp_path / "chanter")
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "calibrate", str(cable.path)]
    program = subprocess.Popen(
        [*command, "--folder", str(tmp_path / "kept")], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "200"},
    )  # fmt: skip
    said = []
    pulled = False
    try:
        for line in program.stdout:
            said.append(line.rstrip())
            step = re.match(r" ?(\d+) of 20  (.*)", line)
            if step is None:
                continue
            number = int(step[1]) - 1
            if number == HALF:
                continue  # it is never done
            cable.asks.append(PLAN[number])
            if number == PULLED_AT and not pulled:
                pulled = True
                cable.asks.append("pull")
        assert (program.wait(timeout=30), program.stderr.read()) == (0, "")
    finally:
        program.kill()
        program.communicate()
        cable.close()
    told = "\n".join(said)
    asked = [line for line in said if line.startswith(f"{HALF + 1:>2} of 20")]
    assert [ask_words("half", 1) in line for line in asked] == [True, False, False, False]
    assert all("The top index still covers its whole hole: move it aside" in line for line in asked[1:])
    assert "Not seen half covered: the top index. How it reads then is not known." in told
    assert told.count(AWAY_WORDS) == 1
    numbers = [int(number) for number in re.findall(r"^ ?(\d+) of 20", told, re.MULTILINE)]
    assert numbers == sorted(numbers)
    assert set(numbers) == set(range(1, len(PLAN) + 1))
    assert "All eight holes are good." in told
    (kept,) = (tmp_path / "kept").glob("*/pupil-????????????.toml")
    assert len(load_calibration(kept).levels) == 8
