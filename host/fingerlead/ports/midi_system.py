"""The system's MIDI: what ports there are, and one of them chosen by part of its name, opened, or found gone.

mido and python-rtmidi are imported only in this room, and only when MIDI is asked for. The environment variable
MIDO_BACKEND chooses another way to the system, such as `mido.backends.rtmidi/UNIX_JACK`.
"""

import contextlib
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any, Literal

from fingerlead.ports.base import Found, PortRefused

PREFIX = "midi:"
MISSING = "MIDI needs the package python-rtmidi, which is not installed"
INSTALL = (
    "install it with: pip install python-rtmidi. From Python 3.13 on there is no ready-made wheel: there it also needs "
    "a C++ compiler and, on Debian, libasound2-dev and libjack-jackd2-dev; or use Python 3.11 or 3.12"
)
FAILURES = (OSError, ValueError, RuntimeError)

_native = threading.Lock()


class MidiSystem:
    """mido's backend, loaded for the port that a user writes as `spec`. All of it raises PortRefused."""

    def __init__(self, spec: str) -> None:
        # Only listen to a JACK server that runs; never start one behind the user's back.
        os.environ.setdefault("JACK_NO_START_SERVER", "1")
        import mido

        self.spec, self._backend = spec, mido.backend
        try:
            with quiet():
                mido.backend.load()
        except ImportError:
            raise PortRefused(spec, MISSING, INSTALL) from None

    def names(self, way: Literal["input", "output"]) -> list[str]:
        """The names of all inputs or outputs."""
        with self.using("this system offers no MIDI", "serial ports work without") as backend:
            found = backend.get_input_names() if way == "input" else backend.get_output_names()
            return list(dict.fromkeys(found))

    def choose(self, way: Literal["input", "output"], wanted: str, advice: str) -> str:
        """The name that is `wanted` or alone contains it; `advice` is what to do where there is none."""
        names = self.names(way)
        found = [name for name in names if wanted.lower() in name.lower()]
        if wanted in found:
            return wanted
        if len(found) == 1:
            return found[0]
        if found:
            cause = f"several MIDI {way}s have that in their names: {'; '.join(found)}"
            raise PortRefused(self.spec, cause, "write more of it")
        others = f"there are: {'; '.join(names)}" if names else "there is none at all"
        raise PortRefused(self.spec, f"there is no MIDI {way} of that name ({others})", advice)

    @contextlib.contextmanager
    def using(
        self,
        cause: str = "it is busy: another program may have it",
        advice: str = "close that program and try again",
    ) -> Iterator[Any]:
        """The backend, to list or open ports with; `cause` and `advice` are for what fails meanwhile."""
        try:
            with quiet():
                yield self._backend
        except FAILURES as error:
            raise PortRefused(self.spec, f"{cause} ({error})", advice) from None


def list_midi(way: Literal["input", "output"]) -> tuple[list[Found], str]:
    """The MIDI inputs or outputs; and why there are none, where MIDI cannot be used at all."""
    try:
        return [Found(PREFIX + name, f"MIDI {way}") for name in MidiSystem("MIDI").names(way)], ""
    except PortRefused as error:
        return [], str(error)


def why_gone(port: Any, name: str) -> str:
    """Why an open port is no longer in the system's list; empty where it is."""
    try:
        with quiet():
            # Through the client that the open port has: a new one on a JACK server that died brings us down.
            there = name in port._rt.get_ports()
    except FAILURES as error:
        return f"the MIDI system is gone ({error})"
    return "" if there else "unplugged, or the other side is gone"


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
