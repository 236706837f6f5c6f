"""What a user writes as PORT: `open_source` opens it, a port of this machine or a recorded session; `meet` asks at a
port who is there, listens for three seconds, and says in a sentence what it found.
"""

import contextlib
import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fingerlead.log import port_words
from fingerlead.ports.base import Port, PortEnded, PortLost, PortRefused, now_us
from fingerlead.ports.catalogue import open_port
from fingerlead.ports.replay_port import PREFIX, ReplayPort, split_speed
from fingerlead.store.session_file import MAGIC, SessionError
from fingerlead.store.session_music import MusicAt
from fingerlead.store.session_reading import StoredSession, read_session
from fingerlead.wire.errors import NotAChanter
from fingerlead.wire.events import RawState, State, TroubleSeen
from fingerlead.wire.link import HostLink
from fingerlead.wire.messages import Hello

# Opening a port starts some boards anew, and they take their time.
PATIENCE_US = 3_000_000
ASK_EVERY_US = 1_000_000
READ_TIMEOUT_S = 0.05
# What only a chanter says: a port that sends back what it receives repeats our question.
SPOKEN = (State, RawState, TroubleSeen)
_log = logging.getLogger(__name__)


def open_source(spec: str) -> Port:
    """Open a port, or play a session again with `replay:FILE[@SPEED]`; raises PortRefused."""
    try:
        port = _open(spec)
    except PortRefused as refused:
        # Debug: a port that is lost is tried again every two seconds.
        _log.debug("%s refused%s", port_words(spec), f": {refused.cause}" if port_words(spec) == spec else "")
        raise
    _log.info("%s opened, carrier %s", port_words(spec), port.carrier)
    return port


def _open(spec: str) -> Port:
    if spec.startswith(PREFIX):
        name, speed = split_speed(spec)
        if _is_session(Path(name)):
            try:
                session = read_session(name)
            except SessionError as error:
                raise PortRefused(spec, error.reason, "or name another recording") from None
            return ReplayPort(spec, session_pieces(session), session.carrier, speed)
    return open_port(spec)


def replayed_music(spec: str) -> tuple[MusicAt, ...]:
    """The music of the session that a port plays again; none where it plays none."""
    if spec.startswith(PREFIX):
        name, _ = split_speed(spec)
        with contextlib.suppress(SessionError):
            return read_session(name).asked if _is_session(Path(name)) else ()
    return ()


def session_pieces(session: StoredSession) -> Iterator[tuple[int, bytes]]:
    """Each read of a session: µs since its first, and its bytes."""
    for data, host_us in session.reads():
        yield host_us - int(session.arrivals[0, 1]), data


def _is_session(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False


@dataclass(frozen=True, slots=True)
class Met:
    """What was found at a port. `kind` "notes" is a MIDI device that plays notes: perhaps a plain chanter."""

    kind: Literal["chanter", "notes", "stranger", "silent", "refused"]
    sentence: str
    hello: Hello | None = None


def meet_at(spec: str) -> Met:
    """Who is at a port; waits for seconds."""
    try:
        with open_source(spec) as port:
            return meet(port)
    except PortRefused as error:
        return Met("refused", f"{error.cause}; {error.advice}")


def meet(port: Port, clock: Callable[[], int] = now_us, patience_us: int = PATIENCE_US) -> Met:
    """Ask who is there, and wait for the hello."""
    started_us = asked_us = clock()
    link: HostLink | None = None
    size = 0
    spoke = False
    try:
        while clock() - started_us < patience_us:
            if link is None or clock() - asked_us >= ASK_EVERY_US:
                link = link or HostLink("sysex" if port.carrier == "sysex" else "stream")
                port.write(link.who())
                asked_us = clock()
            for chunk in port.read(READ_TIMEOUT_S):
                if port.carrier == "plain":
                    return Met("notes", "plays notes: a chanter without a clock of its own, or another instrument")
                size += len(chunk.data)
                spoke = spoke or any(isinstance(event, SPOKEN) for event in link.receive(chunk.data, chunk.host_us))
                if link.hello is not None:
                    return Met("chanter", describe(link.hello), link.hello)
            link.receive(b"", clock())
    except NotAChanter as error:
        return Met("stranger", str(error))
    except PortLost as error:
        return Met("refused", str(error))
    except PortEnded:
        pass
    seconds = f"{patience_us / 1_000_000:g} s"
    if spoke:
        return Met("chanter", f"a chanter that did not say its name within {seconds}")
    if size:
        return Met("stranger", f"no chanter, or one at another speed: {size} bytes in {seconds}, no frame in them")
    return Met("silent", f"silent for {seconds}: no chanter, or not switched on")


def describe(hello: Hello) -> str:
    """A chanter in words."""
    name = " ".join(hello.name.split()) or "a chanter without a name"
    firmware = ".".join(map(str, hello.firmware))
    return f"{name}, firmware {firmware}, device {hello.device_id.hex()}, {hello.scan_rate_hz} scans a second"
