"""From the chanter itself to the next rung: once a rung is passed, hands off, then a low A held.

Pure. Playing never does it: the low A must be the first thing that is taken up once the hands were off, and is held
longer than any note of a rung's music lasts by the beat. Whatever else is taken up ends it; the page has a key for the
same. All numbers are our own choice.
"""

from fingering.holes import HANDS_OFF
from fingerlead.timing.results import Settings

HOLD_US = 4_000_000
HOLD_BEATS = 5  # the longest note has four
# How long the fingers may take from hands off to the low A, and back.
TAKE_UP_US = 1_000_000


class Onward:
    """Takes every state in order of time, heartbeats too."""

    def __init__(self, low_a_mask: int, settings: Settings) -> None:
        self._low_a, self._steady_us, self._bounce_us = low_a_mask, settings.steady_us, settings.bounce_us
        self.needed_us = HOLD_US
        self._listens = False
        self.doubt()

    def begin(self) -> None:
        """The rung is passed."""
        self._listens = True
        self.doubt()

    def end(self) -> None:
        """Another rung is practised, or something else."""
        self._listens = False

    def doubt(self) -> None:
        """Something may be missing about now: whatever was begun is none."""
        self._mask: int | None = None
        self._since_us = 0  # since when the mask stands
        self._free = False  # whether the hands were off, and no note was held since
        self._fumbling_us: int | None = None  # since when, after that, the hands are neither off nor at the low A
        self._held_from_us: int | None = None

    def beat(self, bpm: float | None) -> None:
        """A beat sounds from now on, or none any more."""
        self.needed_us = HOLD_US if bpm is None else max(HOLD_US, round(HOLD_BEATS * 60_000_000 / bpm))

    def state(self, t_us: int, covered_mask: int) -> int:
        """How long the low A has been held by now; 0 where it is not."""
        if not self._listens:
            return 0
        stood_us = t_us - self._since_us
        if self._mask == HANDS_OFF and stood_us >= self._steady_us:
            self._free, self._fumbling_us, self._held_from_us = True, None, None
        elif self._held_from_us is not None and self._mask != self._low_a and stood_us >= self._bounce_us:
            self._free, self._fumbling_us, self._held_from_us = False, self._since_us, None
        if covered_mask != self._mask:
            self._mask, self._since_us = covered_mask, t_us
        if self._held_from_us is None and covered_mask != HANDS_OFF and (self._free or self._fumbling_us is not None):
            if self._free and covered_mask == self._low_a:
                self._held_from_us = t_us
            self._fumbling_us = t_us if self._fumbling_us is None else self._fumbling_us
            self._listens = t_us - self._fumbling_us <= TAKE_UP_US
        return t_us - self._held_from_us if self._listens and self._held_from_us is not None else 0
