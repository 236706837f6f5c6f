"""How long the other end's playing is held before it sounds, so that it sounds evenly: 60 to 150 ms.

What comes has a stamp of the sender's clock; how much later than the quickest it came is its lateness, whatever the two
clocks say and however far apart they are. The delay is what 95 of 100 of the last ten seconds would have been in time
for, and a little more; it grows at once and falls by 5 ms in a second, so that a note is not cut short in hearing. That
a delay follows a percentile of the last packets is S. Moon, J. Kurose and D. Towsley, "Packet audio playout delay
adjustment: performance bounds and algorithms", Multimedia Systems 6, 1998 (from memory); the bounds are the lesson's.
"""

from collections import deque

import numpy as np

LEAST_US, MOST_US = 60_000, 150_000
SHARE = 95
MARGIN_US = 10_000
REMEMBERED_US = 10_000_000
MOST_REMEMBERED = 1_024
FALLS_US_PER_S = 5_000


class PlayoutDelay:
    """Feed it when each thing was made and when it came; `delay_us` is how long it is to be held."""

    def __init__(self) -> None:
        self._transits: deque[tuple[int, int]] = deque(maxlen=MOST_REMEMBERED)  # when it came, how long it took
        self._delay_us = float(LEAST_US)
        self._now_us: int | None = None

    @property
    def delay_us(self) -> int:
        """How long after the quickest way something is to sound."""
        return round(self._delay_us)

    @property
    def lateness_us(self) -> int:
        """The lateness that 95 of 100 kept within, of the last ten seconds."""
        if not self._transits:
            return 0
        transits_us = np.array([transit_us for _, transit_us in self._transits])
        return int(np.percentile(transits_us - transits_us.min(), SHARE, method="higher"))

    def came(self, made_us: int, came_us: int) -> None:
        """Something made at `made_us` of the sender's clock came at `came_us` of this one's."""
        self._transits.append((came_us, came_us - made_us))
        while came_us - self._transits[0][0] > REMEMBERED_US:
            self._transits.popleft()
        asked_us = min(max(self.lateness_us + MARGIN_US, LEAST_US), MOST_US)
        passed_us = 0 if self._now_us is None else max(0, came_us - self._now_us)
        self._now_us = came_us
        self._delay_us = max(asked_us, self._delay_us - FALLS_US_PER_S * passed_us / 1_000_000)

    def sounds_at_us(self, made_us: int) -> int | None:
        """When, by this end's clock, what was made then is to sound; None before anything came."""
        if not self._transits:
            return None
        return made_us + min(transit_us for _, transit_us in self._transits) + self.delay_us
