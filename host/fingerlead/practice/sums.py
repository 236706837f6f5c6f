"""What a session adds up to, what of it goes into the progress, and when a rest is due.

Pure: times come in as arguments. The last changes may turn out to be something else, or none: the progress counts each
as it is told, and takes it back then.
"""

from datetime import date

from fingerlead.practice.events import ChangeCount, Outcome, Passed, SessionSummary
from fingerlead.store.practice_log import Progress
from fingerlead.timing.movement_sums import COUNTED
from fingerlead.timing.results import PLAIN, PlayedMovement, Verdict

FEWEST = 4  # of one change, to say that it is worth work; our own choice
# Teachers and hand therapists ask for five to ten minutes off in an hour of playing (Barton; Horvath): a rest of five
# after twenty keeps well within that.
PLAY_US = 20 * 60 * 1_000_000
REST_US = 5 * 60 * 1_000_000
# How many of the last changes may turn out to be something else: far more than a reading ever leaves open.
OPEN = 64
OPEN_MOVEMENTS = 4  # and of the last movements; a reading is settled long before
# A note may be held, and a teacher may speak, for so long without its being a rest.
PAUSE_US = 20 * 1_000_000

Directed = tuple[int, int]


class Sums:
    """Adds up changes and first tries."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._counts: dict[Directed, list[int]] = {}  # tried, clean, stray, apart
        self._open: dict[int, tuple[date, Directed, Outcome, Verdict]] = {}
        self._settled = 0  # the last take that is
        self._movements: dict[int, tuple[date, str, bool] | None] = {}  # by their start; None for one that counts not
        self._movements_to_us = -1  # the last that is settled
        self.played: dict[str, None] = {}
        self.passed: list[Passed] = []

    def change(self, take: int, today: date, change: Directed, outcome: Outcome, verdict: Verdict) -> None:
        """A change as it is told, or what it is after all; what is settled stays.

        `outcome` is what it is toward passing, in the progress; by `verdict` it is summed up, as in a report.
        """
        if take <= self._settled:
            return
        self.take_back(take)
        self._open[take] = today, change, outcome, verdict
        if outcome != "not counted":
            self._progress.change_played(today, change, outcome)
        while len(self._open) > OPEN:
            self._settle(min(self._open))

    def take_back(self, take: int) -> None:
        """There was no such change."""
        told = self._open.pop(take, None)
        if told is not None and told[2] != "not counted":
            self._progress.change_taken_back(*told[:3])

    def movement(self, played: PlayedMovement, today: date, taken_back: bool = False) -> None:
        """A written movement as it is told, or what it is after all, or none; it counts once it is settled."""
        if played.start_us <= self._movements_to_us:
            return
        counts = not taken_back and played.written is not None and played.verdict in COUNTED
        right = played.verdict == "as written"
        self._movements[played.start_us] = (today, played.written or "", right) if counts else None
        while len(self._movements) > OPEN_MOVEMENTS:
            self._settle_movement(min(self._movements))

    def _settle_movement(self, start_us: int) -> None:
        told = self._movements.pop(start_us)
        self._movements_to_us = start_us
        if told is not None:
            self._progress.movement_played(*told)

    def settle(self) -> None:
        """The last changes and movements stay as they are."""
        for take in sorted(self._open):
            self._settle(take)
        for start_us in sorted(self._movements):
            self._settle_movement(start_us)

    def _settle(self, take: int) -> None:
        _, change, _, verdict = self._open.pop(take)
        self._settled = take
        _count(self._counts, change, verdict)

    def summary(self, playing_us: int, kept: bool) -> SessionSummary:
        """All of it, as it is told so far."""
        so_far = {change: list(counts) for change, counts in self._counts.items()}
        for _, change, _, verdict in self._open.values():
            _count(so_far, change, verdict)
        changes = tuple(ChangeCount(*change, *counts) for change, counts in sorted(so_far.items()))
        enough = [one for one in changes if one.tried >= FEWEST and one.clean < one.tried]
        worst = max(enough, key=lambda one: (1 - one.clean / one.tried, one.tried), default=None)
        return SessionSummary(playing_us, changes, tuple(self.played), tuple(self.passed), worst, kept)


def _count(counts: dict[Directed, list[int]], change: Directed, verdict: Verdict) -> None:
    if verdict in PLAIN:
        of = counts.setdefault(change, [0, 0, 0, 0])
        of[0] += 1
        of[("clean", "stray", "apart").index(verdict) + 1] += 1


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
