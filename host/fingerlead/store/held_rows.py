"""What of a session waits to be written, in memory within a bound, and how much playing was lost beyond that.

Rows go out in the order in which they came in. Where no more can be held, what comes is lost: a mark of each kind, as
for a port that was lost and is back, shows from when until when.
"""

from collections import deque
from collections.abc import Iterator
from typing import Literal, NamedTuple

# Hours of dense playing (a test counts them). A row costs so much memory beside its bytes.
MOST_HELD, ROW_COSTS = 18 << 20, 400
MUSIC = "INSERT INTO music VALUES (?, ?, ?, ?, ?)"
# Beside the playing, as music is: no time is played or lost by it.
CLICKS = "INSERT INTO mark (host_us, kind, cause) VALUES (?, 'clicks', ?)"
BATCH, MARK = "INSERT INTO batch VALUES (NULL, ?, ?, ?)", "INSERT INTO mark VALUES (NULL, ?, ?, ?)"

ASIDE = (MUSIC, CLICKS)


class Row(NamedTuple):
    """A row to write, and what it is about: from when on, and how much memory it takes."""

    from_us: int
    statement: str
    values: tuple[object, ...]
    size: int


def batch_row(first_us: int, data: bytes, arrivals: bytes) -> Row:
    """Bytes, and when they came, as a row."""
    return Row(first_us, BATCH, (first_us, data, arrivals), len(data) + len(arrivals) + ROW_COSTS)


def mark_row(host_us: int, kind: Literal["lost", "back"], cause: str = "") -> Row:
    """That the port was lost, or is back, as a row."""
    return Row(host_us, MARK, (host_us, kind, cause), len(cause) + ROW_COSTS)


def clicks_row(now_us: int, host_us: int, cause: str) -> Row:
    """Clicks of a metronome, as `session_clicks.cause_of` has them, as a row."""
    return Row(now_us, CLICKS, (host_us, cause), len(cause) + ROW_COSTS)


def music_row(host_us: int, values: tuple[int, int, int, str, int]) -> Row:
    """What is asked for, as `session_music.row_of` has it, as a row."""
    return Row(host_us, MUSIC, values, len(values[3]) + ROW_COSTS)


class HeldRows:
    """Rows that wait, of `most` bytes at most; the time now is an argument, host µs."""

    def __init__(self, most: int = MOST_HELD) -> None:
        self.size = 0
        self._most = most
        self._rows: deque[Row] = deque()
        # When playing was lost, from and until; and since when it is being lost.
        self._lost_us: list[tuple[int, int]] = []
        self._losing_us: int | None = None
        self._begun_us: int | None = None

    def __bool__(self) -> bool:
        return bool(self._rows)

    @property
    def losing(self) -> bool:
        """Whether no more can be held: what comes now is lost."""
        return self._losing_us is not None

    def lost_us(self, now_us: int) -> int:
        """How much playing is lost."""
        losing = 0 if self._losing_us is None else now_us - self._losing_us
        return losing + sum(until_us - from_us for from_us, until_us in self._lost_us)

    def whole_us(self, now_us: int) -> int:
        """How much playing ever came, written or not."""
        return 0 if self._begun_us is None else now_us - self._begun_us

    def held_us(self, now_us: int) -> int:
        """How much playing waits."""
        since_us = self._since_us()
        return 0 if since_us is None else now_us - since_us

    def hold(self, row: Row) -> None:
        """Keep a row until it is written; where there is no memory left for it, it is lost."""
        if self._begun_us is None and row.statement not in ASIDE:
            self._begun_us = row.from_us
        if self.size + row.size > self._most:
            if self._losing_us is None:
                self._losing_us = row.from_us
                self._put(mark_row(row.from_us, "lost", "there was no room to keep it"))
            return
        if self._losing_us is not None:
            self._lost_us.append((self._losing_us, row.from_us))
            self._losing_us = None
            self._put(mark_row(row.from_us, "back"))
        self._put(row)

    def portion(self, most: int) -> Iterator[Row]:
        """The oldest rows, of `most` bytes together, or one."""
        size = 0
        for row in self._rows:
            size += row.size
            if size > most and size > row.size:
                return
            yield row

    def written(self, count: int) -> None:
        """The oldest rows are on the disk."""
        for _ in range(count):
            self.size -= self._rows.popleft().size

    def give_up(self, now_us: int) -> None:
        """What still waits is lost."""
        since_us = self._since_us()
        if since_us is not None:
            self._lost_us = [lost for lost in self._lost_us if lost[0] < since_us] + [(since_us, now_us)]
            self._losing_us = None

    def _since_us(self) -> int | None:
        """Since when playing waits: what is asked for is none, and may be asked for before any time is known."""
        return next((row.from_us for row in self._rows if row.statement not in ASIDE), None)

    def _put(self, row: Row) -> None:
        self._rows.append(row)
        self.size += row.size
