"""Seven evenings of ten minutes of beginners who read the practice page.

`python -m tests.first_week [SEED…]` plays in no time, against the real practice and what its page is told.
`python -m tests.first_week --page [SEED…] [--speed N] [--evenings N] [--minutes N] [--never-learns]` plays through the
program as it is started, in Chromium; `--speed` is how fast the chanter's clock runs.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.first_week.beginner import Beginner
from tests.first_week.page_week import run_page_week
from tests.first_week.week import Learning


def run_week(seed: int) -> None:
    """Play and print the week of a beginner who learns, of one who also goes on, and of one who never learns."""
    for improves, goes_on in ((True, False), (True, True), (False, False)):
        kind = "learns" if improves else "never learns"
        print(f"beginner {seed} {kind}{', goes on after four minutes' if goes_on else ''}")
        learning = Learning(Beginner(seed, improves), goes_on)
        for number in range(1, 8):
            came = learning.evening()
            where = ", ".join(f"{key} {minutes:.1f}" for key, minutes in came.minutes.items())
            print(f"  {number}: {came.changes} changes, {came.advised} advised; passed {came.passed}; minutes: {where}")


parser = argparse.ArgumentParser(prog="python -m tests.first_week", description=__doc__.partition("\n")[0])
parser.add_argument("seeds", nargs="*", type=int)
parser.add_argument("--page", action="store_true", help="through the program, in Chromium")
parser.add_argument("--speed", type=float, default=1.0)
parser.add_argument("--evenings", type=int, default=7)
parser.add_argument("--minutes", type=float, default=10.0)
parser.add_argument("--never-learns", action="store_true")
asked = parser.parse_args()
faults: list[str] = []
for seed in asked.seeds or ([1] if asked.page else range(1, 7)):
    if not asked.page:
        run_week(seed)
        continue
    with tempfile.TemporaryDirectory() as folder:
        learns = not asked.never_learns
        faults += run_page_week(seed, learns, Path(folder), asked.speed, asked.evenings, asked.minutes)
print("\n".join(faults))
sys.exit(bool(faults))
