"""Masks in, samples out: the reed, the drones and the metronome on one clock of sample frames.

The engine has no thread, no clock and no device of its own. One thread calls `render` again and again; any other may
ask for changes at any time (`cover`, `level`, `set`, `start_metronome`): they go through queues.

A change begins at its very frame, inside a block or not. No clicks: the phase runs on, the spectrum crosses over within
a millisecond. Samples are made AHEAD_FRAMES before they are given out, so that the limiter can hear ahead: a change
that comes too late for its frame sounds AHEAD_FRAMES after the next frame to be rendered.
"""

import math
from collections import deque
from threading import Lock

import numpy as np

from fingering.table import Table
from fingerlead.sound.loudness import DELAY_FRAMES, MOST_LUFS, START_DB, Limiter, Samples, gain_of
from fingerlead.sound.metronome import Beating, Click, Metronome
from fingerlead.sound.piping import Piping
from fingerlead.sound.tuning import Tuning
from fingerlead.sound.voices import CLICKS_LU, changed, make_bank, make_setting

AHEAD_FRAMES = DELAY_FRAMES
SLOWEST_RATE_HZ, FASTEST_RATE_HZ = 16_000, 192_000
QUIETEST_DB = -60.0
LOUDEST_LUFS = -12.0
HANDS_OFF_US = 1_000_000
# At most this many frames are made at once, and this many changes are kept waiting: the oldest give way.
_PIECE = 256
_WAITING = 4_096
_RISE_DB_PER_S, _FALL_DB_PER_S = 20.0, 200.0


class Engine:
    """The chanter's sound at `rate_hz` (16 000 to 192 000), silent until a mask comes.

    `level_lufs` is the loudest that `level(0)` gives in both ears: a level in the file, not at the ear.
    `setting` (voice, tuning, drones) and `level_db` are what was last asked for.
    Raises ValueError, one sentence, for a setting that makes no sense.
    """

    def __init__(
        self,
        rate_hz: int,
        table: Table,
        voice: str = "practice",
        tuning: Tuning | None = None,
        level_lufs: float = MOST_LUFS,
        drones: bool = False,
        hands_off_us: int = HANDS_OFF_US,
    ) -> None:
        if not SLOWEST_RATE_HZ <= rate_hz <= FASTEST_RATE_HZ:
            raise ValueError(f"expected {SLOWEST_RATE_HZ} to {FASTEST_RATE_HZ} samples a second; got {rate_hz!r}")
        if not level_lufs <= LOUDEST_LUFS:
            raise ValueError(
                f"expected a loudness of at most {LOUDEST_LUFS:.0f} LUFS; got {level_lufs!r}; "
                f"{MOST_LUFS:.0f} is kind to the ears"
            )
        self.rate_hz = rate_hz
        self.table = table
        self.frame = 0
        self.setting = make_setting(voice, tuning, drones)
        self._setting_lock = Lock()
        self._piping = Piping(make_bank(self.setting, table, rate_hz), rate_hz, hands_off_us)
        self._beating = Beating(rate_hz)
        self._limiter = Limiter(rate_hz)
        self._covers: deque[tuple[int, int | None]] = deque(maxlen=_WAITING)
        self._loudest_db = level_lufs - CLICKS_LU
        self._now_db = self.level_db = START_DB
        self._gain = gain_of(self._loudest_db + START_DB)
        self._made: Samples = np.zeros(_PIECE, dtype=np.float32)

    def cover(self, covered_mask: int | None, at_frame: int) -> None:
        """From this absolute frame on the mask sounds; None fades to silence in 200 ms. Past frames mean at once.

        All holes open for a second is hands off: it fades too, and stays silent until a hole is covered.
        """
        if covered_mask is not None and not 0 <= covered_mask <= 0xFF:
            raise ValueError(f"expected a mask from 0 to 255, or None for silence; got {covered_mask!r}")
        self._covers.append((at_frame, covered_mask))

    def level(self, db: float) -> None:
        """Go smoothly to a level, 0 the loudest allowed, -60 the quietest; what lies beyond is taken as the end."""
        if math.isnan(db):
            raise ValueError(f"expected a level in decibels, {QUIETEST_DB:.0f} to 0; got {db!r}")
        self.level_db = min(0.0, max(QUIETEST_DB, db))

    def start_at_level(self, db: float) -> None:
        """Be at a level at once: for a sound that is rendered whole, before anything of it was."""
        self.level(db)
        self._now_db = self.level_db
        self._gain = gain_of(self._loudest_db + self._now_db)

    def set(
        self,
        voice: str | None = None,
        tuning: Tuning | None = None,
        drones: bool | None = None,
        false_cents: float | None = None,
    ) -> None:
        """Change what is given, from the next block on. Another voice brings its usual low A unless a tuning comes too.

        Takes some milliseconds in the caller's thread, none in the one that renders. Raises ValueError, one sentence.
        """
        with self._setting_lock:
            self.setting = changed(self.setting, voice, tuning, drones, false_cents)
            self._piping.change_to(make_bank(self.setting, self.table, self.rate_hz))

    def start_metronome(self, metronome: Metronome, at_frame: int | None = None) -> None:
        """Its first click falls on this absolute frame, or as soon as may be; one that runs already gives way."""
        self._beating.ask(metronome, at_frame)

    def stop_metronome(self) -> None:
        """No further clicks; one that sounds rings out."""
        self._beating.ask(None, None)

    @property
    def clicks(self) -> list[Click]:
        """The last beats that were made, oldest first; at most AHEAD_FRAMES of them lie ahead of `frame`."""
        return list(self._beating.clicks)

    def render(self, frames: int) -> Samples:
        """The next frames, shape (frames,), float32, one channel, true peaks at most -1 dBTP. Advances `frame`."""
        self._take_covers()
        given: Samples = np.empty(frames, dtype=np.float32)
        for start in range(0, frames, _PIECE):
            piece = given[start : start + _PIECE]
            made = self._made[: len(piece)]
            self._piping.make(made, self.frame + AHEAD_FRAMES)
            self._beating.add_to(made, self.frame + AHEAD_FRAMES)
            self._bring_to_level(made)
            piece[:] = self._limiter.process(made)
            self.frame += len(piece)
        return given

    def _take_covers(self) -> None:
        # Counted first: changes that come faster than this takes may not hold it up.
        for _ in range(len(self._covers)):
            at_frame, covered_mask = self._covers.popleft()
            self._piping.cover(covered_mask, max(at_frame, self.frame + AHEAD_FRAMES))

    def _bring_to_level(self, made: Samples) -> None:
        wanted_db = self.level_db
        if wanted_db == self._now_db:
            made *= self._gain
            return
        frames = np.arange(1, len(made) + 1)
        if wanted_db > self._now_db:
            level_db = np.minimum(self._now_db + _RISE_DB_PER_S / self.rate_hz * frames, wanted_db)
        else:
            level_db = np.maximum(self._now_db - _FALL_DB_PER_S / self.rate_hz * frames, wanted_db)
        made *= 10 ** ((level_db + self._loudest_db) / 20)
        self._now_db = float(level_db[-1])
        self._gain = gain_of(self._now_db + self._loudest_db)
