"""The way to the system's MIDI: the library behind it, kept quiet, and the choice of a port by part of its name.

mido and python-rtmidi are imported only in this room, and only when MIDI is asked for. The environment variable
MIDO_BACKEND chooses another way to the system, such as `mido.backends.rtmidi/UNIX_JACK`.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from typing import TYPE_CHECKING, Any

from host.ports.base import PortRefused

if TYPE_CHECKING:
    from collections.abc import Iterator

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
