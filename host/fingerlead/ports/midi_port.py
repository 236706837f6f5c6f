"""MIDI in: frames as System Exclusive, or one plain note a hole; requests out, where the device has a way in.

MIDI tells nobody that a device was unplugged, so a quiet port is looked for in the list of ports once a second; and a
chanter that speaks System Exclusive does so ten times a second, so one that falls silent is taken for gone.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any

from fingerlead.ports.base import Chunk, Port, PortLost, PortRefused, now_us
from fingerlead.wire.carriers import Carrier

# --- The way to the system's MIDI: the library behind it, kept quiet, and the choice of a port by part of its name.
#
# mido and python-rtmidi are imported only in this room, and only when MIDI is asked for. The environment variable
# MIDO_BACKEND chooses another way to the system, such as `mido.backends.rtmidi/UNIX_JACK`.

PREFIX = "midi:"
MISSING = "MIDI needs the package python-rtmidi, which is not installed"
INSTALL = (
    "install it with: pip install python-rtmidi. From Python 3.13 on there is no ready-made wheel: there it also needs "
    "a C++ compiler and, on Debian, libasound2-dev and libjack-jackd2-dev; or use Python 3.11 or 3.12"
)

_native = threading.Lock()


def backend_for(spec: str) -> Any:
    """mido's backend, loaded; raises PortRefused where there is none."""
    # Only listen to a JACK server that runs; never start one behind the user's back.
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    import mido

    try:
        with quiet():
            mido.backend.load()
    except ImportError:
        raise PortRefused(spec, MISSING, INSTALL) from None
    return mido.backend


def choose(spec: str, wanted: str, names: list[str], what: str, advice: str) -> str:
    """The name that is `wanted` or alone contains it; `what` is a MIDI input or output. Raises PortRefused."""
    found = [name for name in dict.fromkeys(names) if wanted.lower() in name.lower()]
    if wanted in found:
        return wanted
    if len(found) == 1:
        return found[0]
    if found:
        raise PortRefused(spec, f"several {what}s have that in their names: {'; '.join(found)}", "write more of it")
    others = f"there are: {'; '.join(dict.fromkeys(names))}" if names else "there is none at all"
    raise PortRefused(spec, f"there is no {what} of that name ({others})", advice)


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what native MIDI libraries print to standard error from the user, and one thread at a time in them."""
    with _native:
        sys.stderr.flush()
        try:
            kept = os.dup(2)
        except OSError:
            yield
            return
        try:
            with open(os.devnull, "wb") as nowhere:
                os.dup2(nowhere.fileno(), 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


# ---

# Long enough for a heartbeat of a chanter that speaks System Exclusive, whatever else plays on the same port.
SETTLE_US = 300_000
LOOK_EVERY_US = 1_000_000
SILENCE_US = 3_000_000
MOST_WAITING = 1 << 16


class MidiPort(Port):
    """A MIDI input whose name contains what follows `midi:`, and the output of the same name. Raises PortRefused."""

    def __init__(self, spec: str, clock: Callable[[], int] = now_us) -> None:
        self.name = spec
        self._clock = clock
        self.carrier: Carrier = "sysex"
        wanted = spec.removeprefix(PREFIX)
        backend = backend_for(spec)
        self._waiting: queue.Queue[tuple[Any, int]] = queue.Queue(MOST_WAITING)
        self._settled = False
        self._held: list[Chunk] = []
        try:
            with quiet():
                inputs, outputs = backend.get_input_names(), backend.get_output_names()
        except (OSError, ValueError) as error:
            raise PortRefused(spec, f"this system offers no MIDI ({error})", "see: fingerlead devices") from None
        self._input_name = choose(spec, wanted, inputs, "MIDI input", "plug the chanter in and try again")
        output_name = _twin(wanted, self._input_name, outputs)
        try:
            with quiet():
                self._input = backend.open_input(self._input_name, callback=self._arrived)
                self._output = None if output_name is None else backend.open_output(output_name)
        except (OSError, ValueError) as error:
            raise PortRefused(
                spec, f"it is busy: another program may have it ({error})", "close that program and try again"
            ) from None
        self._opened_us = self._heard_us = self._looked_us = self._clock()

    def read(self, timeout_s: float) -> list[Chunk]:
        """One chunk for each message, waiting up to `timeout_s` for the first; raises PortLost."""
        chunks: list[Chunk] = []
        with contextlib.suppress(queue.Empty):
            message, host_us = self._waiting.get(timeout=timeout_s) if timeout_s > 0 else self._waiting.get_nowait()
            chunks += self._sort(message, host_us)
            while True:
                message, host_us = self._waiting.get_nowait()
                chunks += self._sort(message, host_us)
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
        except (OSError, ValueError, RuntimeError) as error:
            raise PortLost(self.name, str(error)) from None

    def close(self) -> None:
        """Let go of both ways; the callback is taken off before the port is closed."""
        for port in (self._input, self._output):
            with contextlib.suppress(OSError, ValueError, RuntimeError), quiet():
                if port is not None:
                    port.close()

    def _arrived(self, message: Any) -> None:
        # On the library's own thread. Full means that nobody reads; sequence numbers will tell of the loss.
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait((message, self._clock()))

    def _sort(self, message: Any, host_us: int) -> list[Chunk]:
        """The message as a chunk if it is of the kind that this port carries; the first one decides the kind."""
        if message.type == "sysex":
            kind: Carrier = "sysex"
        elif message.type in ("note_on", "note_off"):
            kind = "plain"
        else:
            return []
        chunk = Chunk(bytes(message.bytes()), host_us)
        if self._settled:
            return [chunk] if kind == self.carrier else []
        if kind == "sysex":
            self._held.clear()
        self._held.append(chunk)
        if kind == "plain" and host_us - self._opened_us < SETTLE_US:
            return []
        return self._settle(kind)

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
        try:
            with quiet():
                # Through the client that the open port has: a new one on a JACK server that died brings us down.
                there = self._input_name in self._input._rt.get_ports()
        except (OSError, ValueError) as error:
            raise PortLost(self.name, f"the MIDI system is gone ({error})") from None
        if not there:
            raise PortLost(self.name, "unplugged, or the other side is gone")


def list_inputs() -> list[str]:
    """The names of all MIDI inputs; raises PortRefused where there is no MIDI."""
    backend = backend_for("MIDI")
    try:
        with quiet():
            return list(dict.fromkeys(backend.get_input_names()))
    except (OSError, ValueError) as error:
        raise PortRefused("MIDI", f"this system offers no MIDI ({error})", "serial ports work without") from None


def _twin(wanted: str, input_name: str, outputs: list[str]) -> str | None:
    if input_name in outputs:
        return input_name
    found = [name for name in dict.fromkeys(outputs) if wanted.lower() in name.lower()]
    return found[0] if len(found) == 1 else None
