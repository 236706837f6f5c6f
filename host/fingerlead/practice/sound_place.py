"""Where it sounds, and how: from this computer, from the page itself, or nowhere; and the beat beside it.

A page that covers holes itself sounds itself, as that is quickest; a chanter sounds from this computer, where it can.
What the player has chosen stays chosen.

Playing to the beat: how late the loop from finger to ear is, by taps, and how far notes lie from their beats. All times
are host µs. The beats are those in the air, the notes those that arrive; what lies between them besides the player is
the loop, which `tap`s to the clicks measure and which is then taken out.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Literal

from fingering.notes import SCALES
from fingerlead.music.pulse import BeatGrid, LoopDelay, TapsError, pulse_of
from fingerlead.phrases import capital
from fingerlead.ports.base import Found
from fingerlead.practice.events import Origin
from fingerlead.practice.inbox import SetMetronome, SetSound
from fingerlead.practice.sounding import Sounding, SoundSettings
from fingerlead.sound.metronome import Metronome
from fingerlead.sound.voices import VOICES

KEPT_BEATS = 64
KEPT_TAPS = 24
KEPT_NOTES = 32
# Between two sentences about the pulse: one after every note is too much to heed.
NOTES_BETWEEN = 8
Where = Literal["host", "page", "nowhere"]


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

    def is_free(self, host_us: int, part_us: int) -> bool:
        """Whether half a part has gone by since the last beat."""
        return not self._beats_us or host_us - self._beats_us[-1] >= part_us // 2

    def off_us(self, host_us: int, part_us: int) -> int | None:
        """How far after the nearest part of a beat a note began, or (negative) before it; None before two beats."""
        if len(self._beats_us) < 2:
            return None
        at_us = host_us - (0 if self.loop is None else self.loop.delay_us)
        nearest_us = min(self._beats_us, key=lambda beat_us: abs(at_us - beat_us))
        return (at_us - nearest_us + part_us // 2) % part_us - part_us // 2

    def tap(self, host_us: int) -> None:
        """A tap arrived; `sentence` says what the taps tell so far."""
        self._taps_us.append(host_us)
        try:
            self.loop = LoopDelay.from_taps(tuple(self._beats_us), tuple(self._taps_us))
            self.sentence = self.loop.words
        except TapsError as error:
            self.sentence = f"{capital(str(error))}."

    def note(self, host_us: int, parts: int = 1) -> bool:
        """A note began; whether there is something new to say of the pulse. `parts` is how a beat is cut."""
        self._notes_us.append(host_us)
        self._since += 1
        if self._since < NOTES_BETWEEN or len(self._beats_us) < 2:
            return False
        pulse = pulse_of(self._notes_us, BeatGrid(tuple(self._beats_us), parts), self.loop)
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


MOST_CLICKS = 64  # that are not asked for: more than sound between two looks


class SoundPlace:
    """The sound of a practice. `list_outputs` says what outputs there are, and why there are none."""

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
        self._clicks: deque[int] = deque(maxlen=MOST_CLICKS)
        self.beating = False
        self._begun = 0  # how often it was begun anew
        self._lent: tuple[Metronome, bool] | None = None  # the beat that was there before

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
        """The chanter is gone: what sounds fades."""
        self._sounding.away()

    def close(self) -> None:
        """Let go of the output."""
        self._running = False
        self._sounding.close()

    def set(self, request: SetSound) -> None:
        """Change what is asked. Raises ValueError, one sentence."""
        names = {field.name for field in fields(self._sounding.settings)}
        changes = {name: getattr(request, name) for name in names if getattr(request, name) is not None}
        if changes.get("device") == "":
            changes["device"] = None
        if changes:
            self._sounding.set(**changes)
        if request.where is not None:
            if request.where == "host" and not self._host:
                raise ValueError("this computer was asked to stay silent (--no-sound)")
            self._chosen = request.where
            self._fit()

    def set_metronome(self, request: SetMetronome) -> None:
        """Change what is asked. Raises ValueError, one sentence."""
        before, self._lent = self._metronome, None
        self._metronome = Metronome(
            before.bpm if request.bpm is None else request.bpm,
            before.beats if request.beats is None else request.beats,
            before.subdivision if request.subdivision is None else request.subdivision,
        )
        was = self.beating
        self.beating = was if request.on is None else request.on
        if self.beating and (not was or self._metronome != before):
            self._begin_beat()
        elif was and not self.beating:
            self._sounding.stop_metronome()

    def begin_anew(self, beats: int) -> None:
        """The beat from its first one on, so many in a bar, until it is given back."""
        if self._lent is None:
            self._lent = self._metronome, self.beating
        self._metronome = Metronome(self._metronome.bpm, beats)
        self.beating, self._begun = True, self._begun + 1
        self._clicks.clear()
        self._begin_beat()

    def give_back(self) -> bool:
        """The beat as it was before `begin_anew`, unless it was set meanwhile; whether it is another now."""
        lent, self._lent = self._lent, None
        if lent is None or lent == (self._metronome, self.beating):
            return False
        self._metronome, self.beating = lent
        if self.beating:
            self._begin_beat()
        else:
            self._sounding.stop_metronome()
        return True

    def listen_to_beats(self) -> None:
        """Note the beats that have sounded since the last call."""
        if self.beating:
            for beat in self._sounding.beats():
                self._pulsing.beat(beat.host_us)
                self._clicks.append(beat.host_us)

    def clicks(self) -> list[int]:
        """The host times of the beats that have sounded since the last call, the latest of them."""
        self.listen_to_beats()
        clicks = list(self._clicks)
        self._clicks.clear()
        return clicks

    def tap(self, host_us: int) -> None:
        """A tap to the click, for measuring the loop from finger to ear."""
        self.listen_to_beats()
        self._pulsing.tap(host_us)

    def note(self, host_us: int) -> bool:
        """A note began; whether there is something new to say of how it lies to the beat."""
        return self.beating and self._pulsing.note(host_us, self._metronome.subdivision)

    def click(self, host_us: int) -> None:
        """A page that sounds by itself lets a beat be heard; of two pages at once the first tells the beat."""
        if self.beating and self.where == "page" and self._pulsing.is_free(host_us, self._part_us):
            self._pulsing.beat(host_us)
            self._clicks.append(host_us)

    def off_us(self, host_us: int) -> int | None:
        """How far after the beat (negative: before it) a note began; None where no beat is heard."""
        return self._pulsing.off_us(host_us, self._part_us) if self.beating else None

    @property
    def _part_us(self) -> int:
        return round(60_000_000 / (self._metronome.bpm * self._metronome.subdivision))

    @property
    def bpm(self) -> float | None:
        """Beats a minute, while the beat sounds."""
        return float(self._metronome.bpm) if self.beating else None

    @property
    def chosen(self) -> SoundSettings:
        """How it sounds, as the player chose it."""
        return self._sounding.settings

    def settings(self) -> dict[str, Any]:
        """How it sounds now, for a page that shows or makes the sound."""
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
        """The metronome, for a page that shows it."""
        metronome, loop = self._metronome, self._pulsing.loop
        return {
            "on": self.beating,
            "bpm": float(metronome.bpm),
            "beats": metronome.beats,
            "subdivision": metronome.subdivision,
            "loop_ms": None if loop is None else loop.delay_us / 1_000,
            "sentence": self._pulsing.sentence,
            "begun": self._begun,
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
