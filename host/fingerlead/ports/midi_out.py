"""MIDI out: what the holes sound, played on a synthesiser, and never a note left on.

A voice makes the messages (`fingerlead.sound.tuning.MidiVoice`); this sends them, to an output that exists or from a
port of this program's own, to which other programs connect. MIDI does not say when they do: so while nothing sounds,
what listens is made ready (program, tuning) again every two seconds. Nor does it say that a device was unplugged, so
the output is looked for in the list of ports once a second.
"""

import contextlib
from collections.abc import Callable
from typing import Any, Protocol

from fingerlead.ports.base import Found, now_us
from fingerlead.ports.midi_system import FAILURES, PREFIX, MidiSystem, list_midi, quiet, why_gone

OWN = "own"
OWN_NAME = "fingerlead"
READY_EVERY_US = 2_000_000
LOOK_EVERY_US = 1_000_000
SEE = "see what there is with: fingerlead devices"


class NoteVoice(Protocol):
    """What makes the messages: whole ones, without running status."""

    def opening(self) -> list[bytes]:
        """What makes a synthesiser ready."""
        ...

    def cover(self, covered_mask: int | None) -> list[bytes]:
        """From what sounds to what a mask sounds; None is silence."""
        ...

    def ending(self) -> list[bytes]:
        """Everything off."""
        ...


class MidiOut:
    """A MIDI output whose name contains `name`, or (`own`) one of this program's own. Raises PortRefused.

    Use it in a `with`: everything is off whichever way that is left. `lost` says in words why nothing is sent any more.
    """

    def __init__(self, name: str, voice: NoteVoice, clock: Callable[[], int] = now_us) -> None:
        self.lost = ""
        self._voice, self._clock = voice, clock
        self._silent = True
        wanted = name.removeprefix(PREFIX)
        self._virtual = wanted == OWN
        midi = MidiSystem(f"MIDI output {wanted}")
        self._port: Any = None
        if self._virtual:
            self.name = OWN_NAME
            refusal = "this system lets no program make a MIDI port of its own", f"name an output that there is; {SEE}"
            with midi.using(*refusal) as backend:
                self._port = backend.open_output(OWN_NAME, virtual=True)
        else:
            self.name = midi.choose("output", wanted, SEE)
            with midi.using() as backend:
                self._port = backend.open_output(self.name)
        self._looked_us = self._ready_us = clock()
        self._send(voice.opening())

    def cover(self, covered_mask: int | None) -> None:
        """Sound what a mask sounds; None and hands off are silence."""
        messages = self._voice.cover(covered_mask)
        self._silent = not covered_mask
        self._send(messages)

    def tick(self) -> None:
        """Time goes by: see whether the output is still there, and make new listeners ready."""
        host_us = self._clock()
        if self.lost:
            return
        if self._silent and host_us - self._ready_us >= READY_EVERY_US:
            self._ready_us = host_us
            self._send(self._voice.opening())
        if not self._virtual and host_us - self._looked_us >= LOOK_EVERY_US:
            self._looked_us = host_us
            self.lost = why_gone(self._port, self.name)

    def close(self) -> None:
        """Everything off, and let go of the output; never raises, and may be called again."""
        port, self._port = self._port, None
        if port is None:
            return
        with contextlib.suppress(*FAILURES):
            try:
                _send_on(port, self._voice.ending())
            finally:
                with quiet():
                    port.close()

    def _send(self, messages: list[bytes]) -> None:
        if self.lost or self._port is None:
            return
        try:
            _send_on(self._port, messages)
        except FAILURES as error:
            self.lost = str(error) or "it takes nothing any more"


def list_outputs() -> tuple[list[Found], str]:
    """The MIDI outputs; and why there are none, where MIDI cannot be used at all."""
    return list_midi("output")


def _send_on(port: Any, messages: list[bytes]) -> None:
    import mido

    for message in messages:
        port.send(mido.Message.from_bytes(message))
