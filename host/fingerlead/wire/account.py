"""The account of one link: unwrapped times, restarts, losses, gaps and repeats. The rules are here and nowhere else.

In: hellos and timed frames (holes, raw, trouble, slope) in the order in which they came. Out: a time for each frame,
and Doubts. The rules, all in µs of the chanter's clock:

- The first timed frame of the link is 0. The kinds share one clock; its *front* is the latest time seen. A frame may be
  a little behind the front (an edge that waited for the chatter filter), but never behind an earlier one of its kind.
- A frame behind the last of its own kind is a repeat where the same frame (sequence and time) came within the last 32
  of that kind, else a restart. The first frame since a start is no repeat: a chanter that starts anew sends it again.
- A hello with another boot number or device id is a restart as well, from the next timed frame on, unless a step back
  since the last hello was that restart.
- After a restart the clock goes on from the front plus the host's time between the two frames' arrivals, or plus one
  second where an arrival is unknown; sequences start anew, and nothing counts as lost.
- Losses count for holes, raw and slopes; only lost holes frames make a Doubt, from the last holes frame to this one.
- A gap is a frame `gap_us` or more ahead of the front; a restart is not a gap besides.
- A repeat makes no state, no loss, no gap and no trouble.
- A lasting trouble of a hole makes a Doubt from the first movement that it affects, which it tells, until TROUBLE_US
  after it: a chanter tells it again before that while it lasts.
"""

from collections import deque

from fingerlead.wire.clock import Unwrap
from fingerlead.wire.events import Doubt, Intake
from fingerlead.wire.messages import LASTING, Hello, Holes, Raw, Slope, Trouble

GAP_US = 250_000
UNKNOWN_PAUSE_US = 1_000_000
# What lasts is told again every 5 s.
TROUBLE_US = 6_000_000
# Arrivals come from files too: a false one must not push the clock out of 64 bits.
LONGEST_PAUSE_US = 1 << 40
REMEMBERED = 32

HOLES_KIND, RAW_KIND, TROUBLE_KIND, SLOPE_KIND = range(4)
KINDS = 4
TIMED = (Holes, Raw, Trouble, Slope)


def kind_and_tag(message: Holes | Raw | Trouble | Slope) -> tuple[int, int]:
    """The kind of a timed message, and what sets it apart from others of its kind at the same instant."""
    if isinstance(message, Trouble):
        return TROUBLE_KIND, message.code | message.hole << 8 | message.detail << 16
    if isinstance(message, Slope):
        return SLOPE_KIND, message.sequence
    return HOLES_KIND if isinstance(message, Holes) else RAW_KIND, message.sequence


class Account:
    """What has come over one link so far. `doubts` collects them; the reader may empty it.

    `restart_told` says that a hello was that of another start, which the next timed frame will carry out.
    """

    def __init__(self, gap_us: int = GAP_US) -> None:
        self.gap_us = gap_us
        self.intake = Intake()
        self.doubts: list[Doubt] = []
        self.clock = Unwrap()
        self.hello: Hello | None = None
        self.scan_us: int | None = None
        self.last_arrival_us: int | None = None
        # Per kind, since the last restart: (tag, ticks32) of the frames, the time of the last.
        self.last_key: list[tuple[int, int] | None] = [None] * KINDS
        self.first_key: list[tuple[int, int] | None] = [None] * KINDS
        self.last_us: list[int] = [0] * KINDS
        self.recent: list[deque[tuple[int, int]]] = [deque(maxlen=REMEMBERED) for _ in range(KINDS)]
        self.restart_told = False
        self._begun_us = 0
        self._restart_inferred = False
        self._boot: int | None = None

    def is_news(self, hello: Hello) -> bool:
        """Whether this hello is of another start, or another chanter, than the one before it."""
        before = self.hello
        if before is None or before is hello:
            return False
        if hello.device_id != before.device_id:
            return True
        return hello.boot is not None and self._boot is not None and hello.boot != self._boot

    def greet(self, hello: Hello) -> None:
        """Take in a hello."""
        if self.is_news(hello) and not self._restart_inferred:
            self.intake.restarts += 1
            self.restart_told = self.clock.started
        self._restart_inferred = False
        if hello.boot is not None or (self.hello is not None and hello.device_id != self.hello.device_id):
            self._boot = hello.boot
        self.hello = hello
        rate = hello.scan_rate_hz
        if rate:
            self.scan_us = max(self.scan_us or 0, (2_000_000 + rate) // (2 * rate))

    def least_us(self, kind: int) -> int:
        """A frame of this kind before this is not of the present start.

        Times of a kind do not fall, and the first frames of two kinds are nearer together than a gap.
        """
        return self.last_us[kind] if self.last_key[kind] is not None else self._begun_us - self.gap_us

    def timed(self, kind: int, tag: int, ticks32: int, arrival_us: int | None) -> int | None:
        """Take in a timed frame; its time, or None for a repeat.

        `kind` and `tag` as in `kind_and_tag`.
        """
        clock, key, last_key = self.clock, (tag, ticks32), self.last_key[kind]
        if not clock.started:
            clock.start(ticks32, 0)
            t_us = 0
        elif self.restart_told:
            self.restart_told = False
            return self._begin_anew(kind, key, arrival_us)
        else:
            front_us = clock.front_us
            t_us = clock.at(ticks32)
            if key == last_key:
                return None
            if t_us < self.least_us(kind):
                if key in self.recent[kind] and key != self.first_key[kind]:
                    return None
                self.intake.restarts += 1
                self._restart_inferred = True
                return self._begin_anew(kind, key, arrival_us)
            if last_key is not None and kind != TROUBLE_KIND:
                lost = (tag - last_key[0] - 1) & 0xFFFF
                if lost:
                    self.intake.lost_frames += lost
                    if kind == HOLES_KIND:
                        self.doubts.append(Doubt(self.last_us[kind], t_us, "lost", lost))
            if t_us > front_us:
                if t_us - front_us >= self.gap_us:
                    self.doubts.append(Doubt(front_us, t_us, "gap"))
                clock.start(ticks32, t_us)
        self._remember(kind, key, t_us, arrival_us)
        self.doubts += self.trouble(kind, tag, t_us)
        return t_us

    def trouble(self, kind: int, tag: int, t_us: int) -> list[Doubt]:
        """The doubt that a timed frame makes because it tells a lasting trouble, else none."""
        if kind != TROUBLE_KIND:
            return []
        code, hole, detail_ms = tag & 0xFF, tag >> 8 & 0xFF, tag >> 16
        if code not in LASTING or not detail_ms:
            return []
        start_us = max(self._begun_us, t_us - 1_000 * detail_ms)
        return [Doubt(start_us, t_us + TROUBLE_US, "trouble", 0, code, hole)]

    def _begin_anew(self, kind: int, key: tuple[int, int], arrival_us: int | None) -> int:
        pause_us = UNKNOWN_PAUSE_US
        if arrival_us is not None and self.last_arrival_us is not None:
            pause_us = min(max(1, arrival_us - self.last_arrival_us), LONGEST_PAUSE_US)
        front_us = self.clock.front_us
        t_us = front_us + pause_us
        self.doubts.append(Doubt(front_us, t_us, "restart"))
        self.clock.start(key[1], t_us)
        self._begun_us = t_us
        for each in range(KINDS):
            self.last_key[each] = self.first_key[each] = None
            self.recent[each].clear()
        self._remember(kind, key, t_us, arrival_us)
        self.doubts += self.trouble(kind, key[0], t_us)
        return t_us

    def _remember(self, kind: int, key: tuple[int, int], t_us: int, arrival_us: int | None) -> None:
        if self.first_key[kind] is None:
            self.first_key[kind] = key
        self.last_key[kind] = key
        self.last_us[kind] = t_us
        self.recent[kind].append(key)
        self.last_arrival_us = arrival_us
