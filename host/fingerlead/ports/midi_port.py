"""MIDI in: frames as System Exclusive, or one plain note a hole; requests out, where the device has a way in.

MIDI does not say that a device was unplugged, so a quiet port is looked for in the list of ports once a second; and a
chanter that speaks System Exclusive does so ten times a second, so one that falls silent is taken for gone.
"""

import contextlib
import queue
from collections.abc import Callable
from typing import Any

from fingerlead.ports.base import Chunk, Port, PortLost, now_us
from fingerlead.ports.midi_system import FAILURES, PREFIX, MidiSystem, quiet, why_gone
from fingerlead.wire.carriers import Carrier

# Long enough for a heartbeat of a chanter that speaks System Exclusive, whatever else plays on the same port.
SETTLE_US = 300_000
LOOK_EVERY_US = 1_000_000
SILENCE_US = 3_000_000
KINDS: dict[str, Carrier] = {"sysex": "sysex", "note_on": "plain", "note_off": "plain"}
MOST_WAITING = 1 << 16


class MidiPort(Port):
    """A MIDI input whose name contains what follows `midi:`, and the output of the same name. Raises PortRefused."""

    def __init__(self, spec: str, clock: Callable[[], int] = now_us) -> None:
        self.name = spec
        self._clock = clock
        self.carrier: Carrier = "sysex"
        wanted = spec.removeprefix(PREFIX)
        self._waiting: queue.Queue[tuple[Any, int]] = queue.Queue(MOST_WAITING)
        self._settled = False
        self._held: list[Chunk] = []
        midi = MidiSystem(spec)
        self._input_name = midi.choose("input", wanted, "plug the chanter in and try again")
        output_name = _twin(wanted, self._input_name, midi.names("output"))
        with midi.using() as backend:
            self._input = backend.open_input(self._input_name, callback=self._arrived)
            self._output = None if output_name is None else backend.open_output(output_name)
        self._opened_us = self._heard_us = self._looked_us = self._clock()

    def read(self, timeout_s: float) -> list[Chunk]:
        """One chunk for each message, waiting up to `timeout_s` for the first; raises PortLost."""
        chunks: list[Chunk] = []
        with contextlib.suppress(queue.Empty):
            chunks += self._sort(*self._waiting.get(timeout_s > 0, timeout_s or None))
            while True:
                chunks += self._sort(*self._waiting.get_nowait())
        host_us = self._clock()
        if not self._settled and self._held and host_us - self._opened_us >= SETTLE_US:
            chunks += self._settle("plain")
        if chunks:
            self._heard_us = host_us
        else:
            self._look(host_us)
        return chunks

    def write(self, data: bytes) -> None:
        """Send whole System Exclusive messages; nothing where the device only talks. Raises PortLost."""
        if self._output is None or self.carrier == "plain":
            return
        import mido

        try:
            for message in mido.parse_all(data):
                self._output.send(message)
        except FAILURES as error:
            raise PortLost(self.name, str(error)) from None

    def close(self) -> None:
        """Let go of both ways; the callback is taken off before the port is closed."""
        for port in (self._input, self._output):
            with contextlib.suppress(*FAILURES), quiet():
                if port is not None:
                    port.close()

    def _arrived(self, message: Any) -> None:
        # On the library's own thread. Full means that no thread reads; sequence numbers will show the loss.
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait((message, self._clock()))

    def _sort(self, message: Any, host_us: int) -> list[Chunk]:
        """The message as a chunk if it is of the kind that this port carries; the first one decides the kind."""
        kind = KINDS.get(message.type)
        if kind is None:
            return []
        chunk = Chunk(bytes(message.bytes()), host_us)
        if self._settled:
            return [chunk] if kind == self.carrier else []
        if kind == "sysex":
            self._held.clear()
        self._held.append(chunk)
        return [] if kind == "plain" and host_us - self._opened_us < SETTLE_US else self._settle(kind)

    def _settle(self, kind: Carrier) -> list[Chunk]:
        self.carrier, self._settled = kind, True
        held, self._held = self._held, []
        return held

    def _look(self, host_us: int) -> None:
        if self._settled and self.carrier == "sysex" and host_us - self._heard_us >= SILENCE_US:
            raise PortLost(self.name, f"silent for {SILENCE_US // 1_000_000} s")
        if host_us - max(self._looked_us, self._heard_us) < LOOK_EVERY_US:
            return
        self._looked_us = host_us
        if cause := why_gone(self._input, self._input_name):
            raise PortLost(self.name, cause)


def _twin(wanted: str, input_name: str, outputs: list[str]) -> str | None:
    if input_name in outputs:
        return input_name
    found = [name for name in outputs if wanted.lower() in name.lower()]
    return found[0] if len(found) == 1 else None
