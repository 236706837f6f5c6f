"""The chanter's sound during practice: each state to the output at once, with no analysis in between.

Where no output can be had, everything here does nothing, and `health` says why: the page can sound by itself.
No method waits for the sound but `start`, `set(device=…)` and `close`.

From `start` to `close` Python's threads take turns every SWITCH_US. The reader of the chanter's port waits that long at
most for the threads of the page and the analysis; at Python's usual 5 ms the 99th percentile from byte to sound was
2 ms longer (`tests/benchmarks/sound_latency.py`).
"""

import logging
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Self

from fingering.table import Table
from fingerlead.ports.base import now_us
from fingerlead.ports.sound_device import SoundRefused
from fingerlead.ports.sound_port import LONG_DELAY_MS, Beat, SoundHealth, SoundOut
from fingerlead.sound.engine import AHEAD_FRAMES, QUIETEST_DB, Engine
from fingerlead.sound.loudness import START_DB
from fingerlead.sound.metronome import Metronome
from fingerlead.sound.tuning import FALSE_CENTS, Tuning
from fingerlead.sound.voices import voice_named

MOST_DELAY_MS = 1_000
SWITCH_US = 100
USUAL_SCALE = Tuning().scale
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class SoundSettings:
    """What a player may choose. `low_a_hz` None is the voice's usual one; `device` None the system's own output.

    `level_db` 0 is the loudest allowed. `delay_ms` is the output's delay where the player knows better than the device
    tells, as with wireless headphones. Raises ValueError, one sentence.
    """

    voice: str = "practice"
    low_a_hz: float | None = None
    scale: str = USUAL_SCALE
    false_cents: float = FALSE_CENTS
    drones: bool = False
    level_db: float = START_DB
    device: str | None = None
    delay_ms: float | None = None

    def __post_init__(self) -> None:
        _want(isinstance(self.voice, str), "a voice by its name", self.voice)
        _want(isinstance(self.scale, str), "a scale by its name", self.scale)
        _want(isinstance(self.drones, bool), "drones on or off", self.drones)
        _want(self.device is None or isinstance(self.device, str), "an output by its name", self.device)
        decibels = f"a level from {QUIETEST_DB:.0f} to 0 decibels"
        _want(_number(self.level_db) and QUIETEST_DB <= self.level_db <= 0, decibels, self.level_db)
        told = self.delay_ms is None or (_number(self.delay_ms) and 0 <= self.delay_ms <= MOST_DELAY_MS)
        _want(told, f"a delay from 0 to {MOST_DELAY_MS} ms", self.delay_ms)
        self.tuning()

    def tuning(self) -> Tuning:
        """The tuning that this makes."""
        low_a_hz = voice_named(self.voice).low_a_hz if self.low_a_hz is None else self.low_a_hz
        return Tuning(low_a_hz, self.scale, self.false_cents)


def _want(good: bool, expected: str, got: object) -> None:
    if not good:
        raise ValueError(f"expected {expected}; got {got!r}")


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def make_engine(table: Table, settings: SoundSettings, rate_hz: int) -> Engine:
    """The engine that these settings ask for; it rises to its level from the quiet one."""
    engine = Engine(rate_hz, table, settings.voice, settings.tuning(), drones=settings.drones)
    engine.level(settings.level_db)
    return engine


class Sounding:
    """The sound of one chanter under `table`, from `start` to `close`; it can be started again.

    `on_change` is called, from another thread, when an output is lost or back. `open_out` is SoundOut but in tests.
    """

    def __init__(
        self,
        table: Table,
        settings: SoundSettings = SoundSettings(),
        on_change: Callable[[], None] | None = None,
        open_out: Callable[..., SoundOut] = SoundOut,
    ) -> None:
        self._table, self.settings, self._on_change, self._open_out = table, settings, on_change, open_out
        self._out: SoundOut | None = None
        self._refused = SoundHealth("silent")
        self._mask: int | None = None
        self._usual_switch_s: float | None = None

    def start(self) -> Self:
        """Open the output, in about half a second. Never raises: where it is refused, `health` says why."""
        self.close()
        out = self._open_out(
            partial(make_engine, self._table, self.settings),
            self.settings.device,
            ahead_frames=AHEAD_FRAMES,
            on_change=self._on_change,
        )
        try:
            out.start()
        except SoundRefused as refused:
            _log.warning("no sound: %s", refused)
            self._refused = SoundHealth("none", refused.device, sentence=f"{refused}.")
            return self
        self._out = out
        self._usual_switch_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_US / 1_000_000)
        if self._mask is not None:
            out.cover(self._mask, now_us())
        return self

    def close(self) -> None:
        """Fade out and let go of the output; may be called again."""
        out, self._out = self._out, None
        if out is not None:
            out.close()
        if self._usual_switch_s is not None:
            sys.setswitchinterval(self._usual_switch_s)
            self._usual_switch_s = None
        self._refused = SoundHealth("silent")

    def cover(self, covered_mask: int, host_us: int) -> None:
        """A state that arrived at `host_us` sounds, a constant time after that."""
        # A chanter sends its state ten times a second, whether it has changed or not.
        if covered_mask != self._mask:
            self._mask = covered_mask
            if self._out is not None:
                self._out.cover(covered_mask, host_us)

    def away(self) -> None:
        """The chanter is gone: what sounds fades in 200 ms, and nothing more sounds until it plays again."""
        self._mask = None
        if self._out is not None:
            self._out.cover(None, now_us())

    def set(self, **changes: Any) -> None:
        """Change fields of SoundSettings by name. Another voice brings its usual low A, unless one comes too.

        Raises ValueError (one sentence) and TypeError (an unknown name); nothing is changed then.
        """
        if changes.get("voice", self.settings.voice) != self.settings.voice:
            changes.setdefault("low_a_hz", None)
        before, self.settings = self.settings, replace(self.settings, **changes)
        now, out = self.settings, self._out
        if now.device != before.device:
            if out is not None or self._refused.state == "none":
                self.start()
            return
        if out is None:
            return
        out.make_engine = partial(make_engine, self._table, now)
        if now.level_db != before.level_db:
            out.tell("level", now.level_db)
        if (now.voice, now.tuning(), now.drones) != (before.voice, before.tuning(), before.drones):
            out.tell("set", now.voice, now.tuning(), now.drones)

    def start_metronome(self, metronome: Metronome) -> None:
        """Click from as soon as may be; one that runs gives way. A lost output takes it along."""
        if self._out is not None:
            self._out.tell("start_metronome", metronome)

    def stop_metronome(self) -> None:
        """No more clicks."""
        if self._out is not None:
            self._out.tell("stop_metronome")

    def beats(self) -> list[Beat]:
        """The metronome's beats since the last call, with the host time at which each is in the air."""
        if self._out is None:
            return []
        beats, told_ms = self._out.beats(), self.settings.delay_ms
        if told_ms is None:
            return beats
        more_us = round(1_000 * (told_ms - (self._out.health().delay_ms or 0)))
        return [replace(beat, host_us=beat.host_us + more_us) for beat in beats]

    def health(self) -> SoundHealth:
        """How it goes, with a sentence for people where there is something to say."""
        health = self._refused if self._out is None else self._out.health()
        if health.state != "sounding":
            return health
        delay_ms = health.delay_ms if self.settings.delay_ms is None else self.settings.delay_ms
        sentences = [health.sentence] if health.sentence else []
        if delay_ms is not None and delay_ms > LONG_DELAY_MS:
            sentences.append(
                f"{health.device} sounds {delay_ms:.0f} ms late: you hear your fingers after they moved. "
                "Headphones with a wire are quicker."
            )
        return replace(health, delay_ms=delay_ms, sentence=" ".join(sentences))
