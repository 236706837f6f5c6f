"""`python -m tests.first_week [SEED…]`: seven evenings of ten minutes of beginners who read the practice page."""

import sys

from tests.first_week.beginner import Beginner
from tests.first_week.week import Learning

for seed in map(int, sys.argv[1:] or range(1, 7)):
    for improves, goes_on in ((True, False), (True, True), (False, False)):
        kind = "learns" if improves else "never learns"
        print(f"beginner {seed} {kind}{', goes on after four minutes' if goes_on else ''}")
        learning = Learning(Beginner(seed, improves), goes_on)
        for number in range(1, 8):
            came = learning.evening()
            where = ", ".join(f"{key} {minutes:.1f}" for key, minutes in came.minutes.items())
            print(f"  {number}: {came.changes} changes, {came.advised} advised; passed {came.passed}; minutes: {where}")
