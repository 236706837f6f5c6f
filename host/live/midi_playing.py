"""The chanter that is listened to, played on a MIDI output as it comes: no analysis in between, and no note left on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from host.live.reader import Lost
from host.ports.host_clock import now_us
from host.wire.account import GAP_US
from host.wire.events import RawState, State

if TYPE_CHECKING:
    from collections.abc import Callable

    from host.live.listening import Heard
    from host.ports.midi_out import MidiOut


class MidiPlaying:
    """Hears what a `Listening` tells, and plays it; `say` gets a sentence when the output is lost.

    Frames come at least every 100 ms, so a chanter of frames that is not heard for GAP_US is silenced; a chanter of
    plain notes says nothing while nothing moves, and is silenced only when its port is lost.
    """

    def __init__(self, out: MidiOut, say: Callable[[str], None], clock: Callable[[], int] = now_us) -> None:
        self._out, self._say, self._clock = out, say, clock
        self._heard_us = clock()
        self._told = False

    def hear(self, what: Heard) -> None:
        """Take in what was heard."""
        if isinstance(what, (State, RawState)):
            self._heard_us = self._clock()
        if isinstance(what, State):
            self._out.cover(what.covered_mask)
        elif isinstance(what, Lost):
            self._out.cover(None)

    def tick(self, plain: bool = False) -> None:
        """Time goes by. `plain` says that the chanter plays plain notes."""
        if not plain and self._clock() - self._heard_us >= GAP_US:
            self._out.cover(None)
        self._out.tick()
        if self._out.lost and not self._told:
            self._told = True
            self._say(
                f"The MIDI output {self._out.name} is gone ({self._out.lost}). Listening goes on without it; "
                "to play on it again, plug it in and start anew."
            )
