"""What a session adds up to, what of it goes into the progress, and when a rest is due.

Pure: times come in as arguments. A change is added when the next one comes: until then it may be corrected, or turn out
to be half of a slow stray.
"""

from datetime import date

from fingerlead.practice.events import ChangeCount, Outcome, Passed, SessionSummary
from fingerlead.store.practice_log import Progress

FEWEST = 4  # of one change, to say that it is worth work; our own choice
# Teachers and hand therapists ask for five to ten minutes off in an hour of playing (Barton; Horvath): a rest of five
# after twenty keeps well within that.
PLAY_US = 20 * 60 * 1_000_000
REST_US = 5 * 60 * 1_000_000
# A note may be held, and a teacher may speak, for so long without its being a rest.
PAUSE_US = 20 * 1_000_000

Directed = tuple[int, int]


class Sums:
    """Adds up changes and first tries."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._counts: dict[Directed, list[int]] = {}  # tried, clean, stray, apart
        self._waiting: tuple[int, date, Directed, Outcome] | None = None
        self.played: dict[str, None] = {}
        self.passed: list[Passed] = []

    def change(self, take: int, today: date, change: Directed, outcome: Outcome) -> None:
        """A change as it is told."""
        if self._waiting is not None and self._waiting[0] != take:
            self.settle()
        self._waiting = take, today, change, outcome

    def correct(self, take: int, outcome: Outcome) -> None:
        """The last change reads differently now; one before it stays as it was."""
        if self._waiting is not None and self._waiting[0] == take:
            self._waiting = *self._waiting[:3], outcome

    def forget_last(self) -> None:
        """The last change was none."""
        self._waiting = None

    def settle(self) -> None:
        """The last change stays as it is."""
        if self._waiting is None:
            return
        _, day, change, outcome = self._waiting
        self._waiting = None
        if outcome == "not counted":
            return
        self._progress.change_played(day, change, outcome)
        counts = self._counts.setdefault(change, [0, 0, 0, 0])
        counts[0] += 1
        if outcome in ("clean", "stray", "apart"):
            counts[("clean", "stray", "apart").index(outcome) + 1] += 1

    def summary(self, playing_us: int, kept: bool) -> SessionSummary:
        """All of it, the change that waits left out."""
        changes = tuple(ChangeCount(*change, *counts) for change, counts in sorted(self._counts.items()))
        enough = [one for one in changes if one.tried >= FEWEST and one.clean < one.tried]
        worst = max(enough, key=lambda one: (1 - one.clean / one.tried, one.tried), default=None)
        return SessionSummary(playing_us, changes, tuple(self.played), tuple(self.passed), worst, kept)


class Resting:
    """Takes the times of finger movements; says once when a rest is due."""

    def __init__(self) -> None:
        self._last_us: int | None = None
        self._since_rest_us = 0
        self.played_us = 0

    def moved(self, host_us: int) -> bool:
        """A finger has moved; whether a rest is due now. It is said again only after as long again."""
        last_us, self._last_us = self._last_us, host_us
        if last_us is None:
            return False
        apart_us = max(0, host_us - last_us)
        if apart_us >= REST_US:
            self._since_rest_us = 0
        elif apart_us <= PAUSE_US:
            self._since_rest_us += apart_us
            self.played_us += apart_us
        if self._since_rest_us < PLAY_US:
            return False
        self._since_rest_us = 0
        return True
