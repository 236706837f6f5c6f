"""A teacher's evening, a pupil's practice and the week after, with pictures: `python -m tests.teachers_evening`."""

from __future__ import annotations

import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

from tests.first_week.page_week import chromium
from tests.teachers_evening.evening import (
    BETTER,
    PUPILS,
    Evening,
    make_pupils,
    practise,
    prepare,
    print_for_a_parent,
    read_on,
)

pictures = Path(sys.argv[1] if len(sys.argv) > 1 else "out/evening")
pictures.mkdir(parents=True, exist_ok=True)
today = date.today()
with tempfile.TemporaryDirectory() as scratch, chromium() as browser:
    folder = Path(scratch) / "studio"
    make_pupils(folder, Path(scratch), today)
    evening = Evening(folder, browser, pictures)
    print("in this order:", ", ".join(prepare(evening, today)), flush=True)
    print("passed at the practice page:", practise(evening, 4.0, 4.0), flush=True)
    told = read_on(evening, today + timedelta(days=7))
    for name in PUPILS:
        print(f"--- {told[name]}")
    print(print_for_a_parent(evening, today + timedelta(days=7), BETTER, pictures))
    print("complaints:", evening.complaints or "none")
