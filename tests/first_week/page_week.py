"""A beginner's first week at the real page: `fingerlead practice` as it is started, in Chromium, played over the wire.

The beginner sees what `eyes` see, and plays a chanter whose clock may run faster than the computer's: everything that
is judged goes by that clock. What the page says in the end is held against what `fingerlead analyse` finds in the file.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fingering.orders import rungs_in
from fingerlead.phrases import capital
from tests.end_to_end.chromium import CHROMIUM, FLAGS
from tests.first_week.beginner import Beginner, named_first
from tests.first_week.eyes import Seen, see
from tests.first_week.played_chanter import PlayedChanter
from tests.first_week.week import EVENING_US, EVENINGS, PATIENCE_US, crosses
from tests.reading.instrument import STANDARD, movers
from tests.waiting import PATIENCE_S, wait_for

SIZES = ((390, 844), (820, 1180), (1280, 800))
FIRST_US = 120_000_000
HOLD_US, LONGEST_HOLD_US, GOING_US = 3_000_000, 9_000_000, 6_000_000
# The program itself, so many days from now.
PROGRAM = """
import sys
from datetime import datetime, timedelta
from functools import partial
from fingerlead.faces.cli.main import run
from fingerlead.faces.pages.practice import page
later = timedelta(days=int(sys.argv.pop(1)))
page.opened = partial(page.opened, wall_clock=lambda: datetime.now() + later)
run()
"""
ANALYSE = [sys.executable, "-m", "fingerlead.faces.cli.main", "analyse"]


@dataclass
class PageEvening:
    """What came of an evening: rungs passed and left, by their names on the page.

    `said` is what the page says of each change at the end (clean, tried), `found` what is in the file. `not_whole` are
    parts of the page in which something was to scroll.
    """

    passed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    minutes: dict[str, float] = field(default_factory=dict)
    advised: int = 0
    first_success_us: int | None = None
    summary: list[str] = field(default_factory=list)
    said: dict[str, tuple[int, int]] = field(default_factory=dict)
    found: dict[str, tuple[int, int]] = field(default_factory=dict)
    not_whole: set[str] = field(default_factory=set)

    @property
    def differs(self) -> dict[str, Any]:
        """Changes of which the page says other counts than the file."""
        return {
            name: (counts, self.found.get(name)) for name, counts in self.said.items() if self.found.get(name) != counts
        }


class PageLearning:
    """A beginner and the folder of what it has practised; each evening is one day later."""

    def __init__(
        self,
        beginner: Beginner,
        folder: Path,
        speed: float = 1.0,
        goes_on: bool = False,
        rung: str = "",
        where: Sequence[str] = (),
    ) -> None:
        self.beginner, self.folder, self.speed, self.goes_on, self.day = beginner, folder, speed, goes_on, 0
        self.asked = [*(where or ("--folder", str(folder))), *(["--rung", rung] if rung else [])]

    def evening(self, browser: Any, lasts_us: int = EVENING_US) -> PageEvening:
        """Time at the page, from hands off to hands off, and what the page says at its end."""
        self.came, self.beginner.mask, self._read = PageEvening(), 0, ""
        width, height = SIZES[self.day % len(SIZES)]
        self.chanter = PlayedChanter(self.speed)
        with self._host() as address:
            self.page = browser.new_page(viewport={"width": width, "height": height})
            self.page.set_default_timeout(1_000 * PATIENCE_S)
            self.page.goto(address)
            wait_for(lambda: self._look().key, "the practice")
            self.rung_since_us = began_us = self.chanter.now_us
            while self.chanter.now_us - began_us < lasts_us:
                self._one_thing(began_us)
            self.chanter.play([*self.beginner.put_down(), (0, 1_000_000)])
            self._press("#more-button", "#finish-button")
            wait_for(lambda: self._look().summary, "the end")
            self.came.summary = self.page.inner_text("#summary-lines").split("\n")
            self.page.close()
        self.chanter.close()
        self._compare()
        self.beginner.sleep()
        self.day += 1
        return self.came

    @contextmanager
    def _host(self) -> Iterator[str]:
        command = [sys.executable, "-u", "-c", PROGRAM, str(self.day), "practice", self.chanter.spec]
        how = ["--no-browser", "--no-sound", *self.asked]
        host = subprocess.Popen([*command, *how], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            assert host.stdout is not None
            found = re.search(r"http://\S+", host.stdout.readline())
            assert found, host.communicate()[1]
            yield found[0]
        finally:
            host.send_signal(signal.SIGINT)
            _, errors = host.communicate(timeout=PATIENCE_S)
        assert (host.returncode, errors) == (0, "")

    def _look(self) -> Seen:
        seen = see(self.page)
        self.came.not_whole.update(seen.scrolls if seen.key else ())
        if self.came.first_success_us is None and any(seen.rows):
            self.came.first_success_us = self.chanter.now_us
        return seen

    def _press(self, *keys: str) -> None:
        for key in keys:
            self.page.click(key)

    def _one_thing(self, began_us: int) -> None:
        seen, before_us = self._look(), self.chanter.now_us
        if seen.key.startswith("On to "):
            self._go_on(seen, "passed")
        elif self.goes_on and before_us - self.rung_since_us > PATIENCE_US:
            self._go_on(seen, "left")
        elif len(set(seen.notes)) == 1:
            self._hold(seen.notes[0])
        else:
            self._change(seen)
        if self.came.first_success_us is not None and not self.came.minutes:
            self.came.first_success_us -= began_us
        spent = self.came.minutes
        spent[seen.title] = spent.get(seen.title, 0) + (self.chanter.now_us - before_us) / 60e6

    def _go_on(self, seen: Seen, how: str) -> None:
        """By the key, or (every second time) from the chanter itself, as the page says."""
        rungs = self.came.passed if how == "passed" else self.came.left
        rungs.append(seen.title)
        if how == "left":
            self._press("#more-button", "#go-on-button")
        elif len(rungs) % 2:
            self._press("#next-button")
        else:
            self.beginner.mask = STANDARD[1]
            self.chanter.play([(0, 800_000), (self.beginner.mask, GOING_US)])
        wait_for(lambda: self._look().title != seen.title, f"what follows {seen.title}")
        self.rung_since_us = self.chanter.now_us
        self.chanter.wait(self.beginner.reading_us())

    def _hold(self, note: int) -> None:
        """Hands off, then cover and hold as long as the page asks for it."""
        if self.beginner.mask:
            self.chanter.play(self.beginner.put_down())
        self.chanter.wait(self.beginner.reading_us())
        self.chanter.play(self.beginner.take_up())
        self.chanter.play(self.beginner.hold(note, HOLD_US))
        until_us = self.chanter.now_us + LONGEST_HOLD_US - HOLD_US
        while self._look().sentence == "All sealed. Hold it." and self.chanter.now_us < until_us:
            self.chanter.wait(200_000)

    def _change(self, seen: Seen) -> None:
        """To the note that is lit; of two that are shown, to the first, or from it to the second."""
        if not self.beginner.mask:
            self.chanter.play(self.beginner.take_up())
        if seen.lit is not None:
            note = seen.notes[seen.lit]
        else:
            first, second = seen.notes[0], seen.notes[-1]
            note = second if self.beginner.mask == STANDARD[first] else first
        came_from = STANDARD.index(self.beginner.mask) if self.beginner.mask in STANDARD else None
        self.chanter.play(self.beginner.play(note))
        seen = self._look()
        about = (seen.notes[0], seen.notes[-1]) if len(seen.notes) == 2 and seen.lit is None else None
        if about is None or seen.key.startswith("On to "):
            return
        # It is read when it is new, and again when the same change was played and it still stands.
        if (seen.sentence, about) != self._read or about == (came_from, note):
            self._take_to_heart(seen.sentence, *about)
        self._read = seen.sentence, about

    def _take_to_heart(self, sentence: str, before: int, after: int) -> None:
        """What is to be tried stands behind the colon; where that names no finger, the one that was out is meant."""
        why, _, advice = sentence.rpartition(":")
        for said in (advice, why):
            if before != after and named_first(said, movers(STANDARD[before], STANDARD[after])) is not None:
                self.came.advised += 1
                self.beginner.read(said, before, after)
                break
        self.chanter.wait(self.beginner.reading_us())

    def _compare(self) -> None:
        """Count in the file what the page has counted."""
        session = max(self.folder.rglob("*.session"), key=lambda path: path.stat().st_mtime)
        found = subprocess.run([*ANALYSE, str(session), "--format", "json"], capture_output=True, check=True)
        changes = [change for change in json.loads(found.stdout)["changes"] if change["judged"]]
        tried = Counter((c["from"], c["to"]) for c in changes if c["verdict"] in ("clean", "apart", "stray"))
        clean = Counter((c["from"], c["to"]) for c in changes if c["verdict"] == "clean")
        name_of = {pair: f"{pair[0]} to {pair[1]}" for pair in tried}
        self.came.found = {name_of[pair].casefold(): (clean[pair], count) for pair, count in tried.items()}
        for line in self.came.summary:
            said = re.fullmatch(r"(.+): (\d+) of (\d+) clean\.", line.strip())
            if said:
                self.came.said[said[1].casefold()] = int(said[2]), int(said[3])


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser without a screen."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


def faults_of(week: list[PageEvening], improves: bool) -> list[str]:
    """What a week, or some evenings of one, is not as it is to be."""
    faults = [
        f"evening {number}: {came.differs} other than in the file"
        for number, came in enumerate(week, 1)
        if came.differs
    ]
    faults += [
        f"evening {number}: to scroll: {came.not_whole}" for number, came in enumerate(week, 1) if came.not_whole
    ]
    if (week[0].first_success_us or FIRST_US) >= FIRST_US:
        faults.append("no success within two minutes")
    rungs = {capital(rung.name): rung for rung in rungs_in("taught")}
    if not improves and {name for came in week for name in came.passed} - {"Low G alone"}:
        faults.append("who never improves has passed a change")
    if (
        improves
        and len(week) >= EVENINGS
        and not any(crosses(rungs[name].key) for came in week for name in came.minutes)
    ):
        faults.append("no crossing in a week")
    return faults


def run_page_week(seed: int, improves: bool, folder: Path, speed: float, evenings: int, minutes: float) -> list[str]:
    """Play and print evenings of a beginner at the page; what is not as it is to be."""
    learning, week = PageLearning(Beginner(seed, improves), folder, speed), []
    kind = "learns" if improves else "never learns"
    print(f"beginner {seed} {kind}, at the page; evenings of {minutes:g} minutes by a clock {speed:g} times as fast")
    with chromium() as browser:
        for number in range(1, evenings + 1):
            came = learning.evening(browser, round(minutes * 60e6))
            week.append(came)
            where = ", ".join(f"{name} {spent:.1f}" for name, spent in came.minutes.items())
            print(f"  {number}: passed {came.passed}; advised {came.advised}; minutes: {where}")
            print(f"     first success after {(came.first_success_us or 0) / 1e6:.0f} s; said {came.said}", flush=True)
    return faults_of(week, improves)
