"""How long somebody has played without a rest, and when to say so. Pure: times come in as arguments."""

from __future__ import annotations

# Teachers and hand therapists ask for five to ten minutes off in an hour of playing (Barton; Horvath): a rest of five
# after twenty keeps well within that.
PLAY_US = 20 * 60 * 1_000_000
REST_US = 5 * 60 * 1_000_000
# A note may be held, and a teacher may speak, for so long without its being a rest.
PAUSE_US = 20 * 1_000_000


class Resting:
    """Fed with the times of finger movements; says once when a rest is due."""

    def __init__(self, play_us: int = PLAY_US, rest_us: int = REST_US) -> None:
        self._play_us, self._rest_us = play_us, rest_us
        self._last_us: int | None = None
        self._since_rest_us = 0
        self.played_us = 0

    def moved(self, host_us: int) -> bool:
        """A finger has moved; whether a rest is due now. It is said again only after as long again."""
        last_us, self._last_us = self._last_us, host_us
        if last_us is None:
            return False
        apart_us = max(0, host_us - last_us)
        if apart_us >= self._rest_us:
            self._since_rest_us = 0
        elif apart_us <= PAUSE_US:
            self._since_rest_us += apart_us
            self.played_us += apart_us
        if self._since_rest_us < self._play_us:
            return False
        self._since_rest_us = 0
        return True
