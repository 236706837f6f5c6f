"""Where it sounds, and how: from this computer, from the page itself, or nowhere; and the beat beside it.

A page that covers holes itself sounds itself, as that is quickest; a chanter sounds from this computer, where it can.
Whatever somebody has chosen stays chosen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Literal

from fingering.scale import SCALES
from host.live.pulsing import Pulsing
from host.sound.metronome import Metronome
from host.sound.reed import VOICES

if TYPE_CHECKING:
    from host.live.happenings import Origin
    from host.live.sounding import Sounding, SoundSettings
    from host.live.wishes import SetMetronome, SetSound
    from host.ports.find import Found

Where = Literal["host", "page", "nowhere"]


class SoundPlace:
    """The sound of a sitting. `list_outputs` says what outputs there are, and why there are none."""

    def __init__(
        self, sounding: Sounding, list_outputs: Callable[[], tuple[list[Found], str]], host: bool = True
    ) -> None:
        self._sounding, self._list_outputs = sounding, list_outputs
        self._host = host  # whether this computer may sound at all
        self._chosen: Where | None = None
        self._origin: Origin | None = None
        self._running = False
        self._outputs: list[Found] = []
        self._metronome = Metronome()
        self._pulsing = Pulsing()
        self.beating = False

    @property
    def where(self) -> Where:
        """Where it sounds."""
        if self._chosen is not None:
            return self._chosen
        if not self._host or self._origin == "page" or self._sounding.health().state == "none":
            return "page"
        return "host"

    def follow(self, origin: Origin | None) -> None:
        """Another chanter is listened to."""
        self._origin = origin
        self._fit()

    def cover(self, covered_mask: int, host_us: int | None) -> None:
        """A state of the chanter, at once."""
        if self._running and host_us is not None:
            self._sounding.cover(covered_mask, host_us)

    def away(self) -> None:
        """Nobody plays: whatever sounds fades."""
        self._sounding.away()

    def close(self) -> None:
        """Let go of the output."""
        self._running = False
        self._sounding.close()

    def set(self, wish: SetSound) -> None:
        """Change what is asked. Raises ValueError, one sentence."""
        names = {field.name for field in fields(self._sounding.settings)}
        changes = {name: getattr(wish, name) for name in names if getattr(wish, name) is not None}
        if changes.get("device") == "":
            changes["device"] = None
        if changes:
            self._sounding.set(**changes)
        if wish.where is not None:
            if wish.where == "host" and not self._host:
                raise ValueError("this computer was asked to stay silent (--no-sound)")
            self._chosen = wish.where
            self._fit()

    def set_metronome(self, wish: SetMetronome) -> None:
        """Change what is asked. Raises ValueError, one sentence."""
        before = self._metronome
        self._metronome = Metronome(
            before.bpm if wish.bpm is None else wish.bpm,
            before.beats if wish.beats is None else wish.beats,
            before.subdivision if wish.subdivision is None else wish.subdivision,
        )
        was = self.beating
        self.beating = was if wish.on is None else wish.on
        if self.beating and (not was or self._metronome != before):
            self._begin_beat()
        elif was and not self.beating:
            self._sounding.stop_metronome()

    def listen_to_beats(self) -> None:
        """Note the beats that have sounded since the last call."""
        if self.beating:
            for beat in self._sounding.beats():
                self._pulsing.beat(beat.host_us)

    def tap(self, host_us: int) -> None:
        """A tap to the click, for measuring the loop from finger to ear."""
        self.listen_to_beats()
        self._pulsing.tap(host_us)

    def note(self, host_us: int) -> bool:
        """A note began; whether there is something new to say of how it lies to the beat."""
        return self.beating and self._running and self._pulsing.note(host_us, self._metronome.subdivision)

    @property
    def bpm(self) -> float | None:
        """Beats a minute, while the beat sounds."""
        return float(self._metronome.bpm) if self.beating else None

    @property
    def chosen(self) -> SoundSettings:
        """How it sounds, as somebody chose it."""
        return self._sounding.settings

    def settings(self) -> dict[str, Any]:
        """How it sounds now, as whoever shows or makes the sound wants to know it."""
        settings, health = self._sounding.settings, self._sounding.health()
        tuning = settings.tuning()
        return {
            "where": self.where,
            "state": health.state,
            "device": settings.device or "",
            "devices": [
                {"spec": found.spec.partition(":")[2], "description": found.description} for found in self._outputs
            ],
            "under_runs": health.under_runs,
            "delay_ms": health.delay_ms,
            "level_db": settings.level_db,
            "voice": settings.voice,
            "voices": list(VOICES),
            "low_a_hz": tuning.low_a_hz,
            "scale": tuning.scale,
            "scales": [scale.name for scale in SCALES],
            "drones": settings.drones,
            "false_cents": tuning.false_cents,
            "sentence": health.sentence,
        }

    def beat(self) -> dict[str, Any]:
        """The metronome, as whoever shows it wants to know it."""
        metronome, loop = self._metronome, self._pulsing.loop
        return {
            "on": self.beating,
            "bpm": float(metronome.bpm),
            "beats": metronome.beats,
            "subdivision": metronome.subdivision,
            "loop_ms": None if loop is None else loop.delay_us / 1_000,
            "sentence": self._pulsing.sentence,
        }

    def _fit(self) -> None:
        """Have the output open exactly while it is needed."""
        wanted = self._host and self._origin is not None and self.where == "host"
        if wanted and not self._running:
            self._sounding.start()
            self._outputs = self._list_outputs()[0]
            self._running = self._sounding.health().state != "none"
            if self._running and self.beating:
                self._begin_beat()
        elif not wanted and self._running:
            self._running = False
            self._sounding.close()

    def _begin_beat(self) -> None:
        self._pulsing.begin()
        self._sounding.start_metronome(self._metronome)
