"""`open_source`: what a user writes as PORT, opened; ports as `host.ports.find` knows them, and recorded sessions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from host.ports.base import Port, PortRefused
from host.ports.find import open_port
from host.ports.replay_port import PREFIX, ReplayPort, split_speed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from host.store.session_file import StoredSession


def open_source(spec: str) -> Port:
    """Open a port, or play a session again with `replay:FILE[@SPEED]`; raises PortRefused."""
    if spec.startswith(PREFIX):
        name, speed = split_speed(spec)
        if _is_session(Path(name)):
            from host.store.session_file import SessionError, read_session

            try:
                session = read_session(name)
            except SessionError as error:
                raise PortRefused(spec, error.reason, "or name another recording") from None
            return ReplayPort(spec, session_pieces(session), session.carrier, speed)
    return open_port(spec)


def session_pieces(session: StoredSession) -> Iterator[tuple[int, bytes]]:
    """Each read of a session: µs since its first, and its bytes."""
    starts, times = session.arrivals[:, 0].tolist(), session.arrivals[:, 1].tolist()
    for start, end, host_us in zip(starts, [*starts[1:], len(session.data)], times, strict=True):
        yield host_us - times[0], session.data[start:end]


def _is_session(path: Path) -> bool:
    from host.store.session_file import MAGIC

    try:
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except OSError:
        return False
