"""Playing to the beat: how late the loop from finger to ear is, by taps, and how far notes lie from their beats.

All times are host µs. The beats are those in the air, the notes those that arrive; what lies between them besides the
player is the loop, which `tap`s to the clicks measure and which is then taken out.
"""

from __future__ import annotations

from collections import deque

from host.music.pulse import BeatGrid, LoopDelay, TapsError, places, pulse_of

KEPT_BEATS = 64
KEPT_TAPS = 24
KEPT_NOTES = 32
# Between two words about the pulse: not after every note, which nobody could heed.
NOTES_BETWEEN = 8


class Pulsing:
    """Beats, taps and notes of the present beat; `loop` is kept from one beat to the next."""

    def __init__(self) -> None:
        self.loop: LoopDelay | None = None
        self.sentence = ""
        self._beats_us: deque[int] = deque(maxlen=KEPT_BEATS)
        self._taps_us: deque[int] = deque(maxlen=KEPT_TAPS)
        self._notes_us: deque[int] = deque(maxlen=KEPT_NOTES)
        self._since = 0

    def begin(self) -> None:
        """The beat begins anew: what was played and tapped to another is over."""
        for kept in (self._beats_us, self._taps_us, self._notes_us):
            kept.clear()
        self.sentence, self._since = "", 0

    def beat(self, host_us: int) -> None:
        """A beat that is in the air at a time, told in order."""
        if not self._beats_us or host_us > self._beats_us[-1]:
            self._beats_us.append(host_us)

    def tap(self, host_us: int) -> None:
        """A tap arrived; `sentence` says what the taps tell so far."""
        self._taps_us.append(host_us)
        try:
            self.loop = LoopDelay.from_taps(tuple(self._beats_us), tuple(self._taps_us))
            self.sentence = self.loop.words
        except TapsError as error:
            self.sentence = f"{str(error)[:1].upper()}{str(error)[1:]}."

    def note(self, host_us: int, parts: int = 1) -> bool:
        """A note began; whether there is something new to say of the pulse. `parts` is how a beat is cut."""
        self._notes_us.append(host_us)
        self._since += 1
        if self._since < NOTES_BETWEEN or len(self._beats_us) < 2:
            return False
        pulse = pulse_of(places(self._notes_us, BeatGrid(tuple(self._beats_us), parts), self.loop))
        if pulse is None:
            return False
        self._since = 0
        off_ms, spread_ms = round(pulse.off_us / 1_000), round(pulse.spread_us / 1_000)
        side = "on the beat" if off_ms == 0 else f"{abs(off_ms)} ms {'after' if off_ms > 0 else 'before'} it"
        self.sentence = (
            f"Your last {pulse.notes} notes with the beat: {side}, half of them within {spread_ms} ms of that."
        )
        if self.loop is None:
            self.sentence += " The delay to your ear is still in that; measure it to take it out."
        return True
