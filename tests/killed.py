"""A program killed with SIGKILL before each step of what it does with files, the first, the second, and so on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

# A step is what Python's audit tells of files, a synchronisation, and each statement of SQLite.
DRIVER = """
import os, signal, sqlite3, sys
from pathlib import Path
imports, work, count = sys.argv[1:4]
names = {}
exec(imports, names)
class Traced(sqlite3.Connection):
    def __init__(self, *given, **named):
        super().__init__(*given, **named)
        self.set_trace_callback(lambda statement: step())
connect, fsync = sqlite3.connect, os.fsync
def step():
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
def synchronise(file):
    step()
    fsync(file)
STEPS = {"open", "os.link", "os.rename", "os.remove", "os.chmod", "os.truncate", "sqlite3.connect"}
for number in range(200):
    child = os.fork()
    if not child:
        left = number
        sqlite3.connect = lambda *given, **named: connect(*given, factory=Traced, **named)
        os.fsync = synchronise
        sys.addaudithook(lambda event, given: event in STEPS and step())
        exec(work, {**names, "folder": Path(count) / str(number)})
        os._exit(0)
    if os.waitpid(child, 0)[1] == 0:
        break
print(number)
"""


def killed_at_each_step(imports: str, work: str, folder: Path) -> int:
    """At how many steps it was killed; `work` is given `folder`, one named 0, 1, 2 … for each, and ends in the last.

    The folders must be there. No step may follow after 200.
    """
    ran = subprocess.run(
        [sys.executable, "-c", DRIVER, imports, work, str(folder)], capture_output=True, text=True, check=True
    )
    assert ran.stderr == ""
    return int(ran.stdout)
