"""Where a simulated chanter can be plugged in: a pseudo-terminal, a TCP port of this machine, a MIDI port.

All of them are polled and never block: `connected` says whether a reader is there, and takes in a new one; `read` gives
what the host has sent, b"" for nothing; `write` says how many bytes went out, 0 where there is no room or no reader;
`wait` waits for bytes from the host, for room to write, or for so long; `drain` gives the reader time to take what is
under way. `listening_on` is the spec under which a host finds it. `mouthful` is the most bytes to write at once (0: one
frame at a time).
"""

import contextlib
import os
import select
import socket
import sys
import time
from collections.abc import Callable
from typing import Any

LINGER_S = 0.3  # nothing is left to read
DRAIN_S = 3.0  # what is left to read cannot be known
STUCK_S = 20.0  # a reader takes nothing of what is left


class OutletError(Exception):
    """The chanter cannot be plugged in there; `str()` is one sentence with what to try."""


class PtyOutlet:
    """A pseudo-terminal. Its other end is opened like any serial port."""

    carrier = "stream"
    mouthful = 4_096

    def __init__(self) -> None:
        if not hasattr(os, "openpty"):
            raise OutletError("this system has no pseudo-terminals; use --on tcp:0 and the address it prints")
        import tty

        self._fd, slave = os.openpty()
        tty.setraw(slave)
        self.listening_on = os.ttyname(slave)
        os.set_blocking(self._fd, False)
        # On Linux a closed other end shows as a hang-up, elsewhere not at all.
        self._can_tell = sys.platform == "linux"
        self._slave = slave
        if self._can_tell:
            os.close(slave)
        self._poll = select.poll()
        self._poll.register(self._fd, 0)

    def connected(self) -> bool:
        """Whether the other end is open."""
        return not any(what & select.POLLHUP for _, what in self._poll.poll(0)) if self._can_tell else True

    def read(self) -> bytes:
        """What the host has sent."""
        with contextlib.suppress(OSError):  # no data, or no reader
            return os.read(self._fd, 4_096)
        return b""

    def write(self, data: bytes) -> int:
        """Send as much as there is room for."""
        with contextlib.suppress(OSError):
            return os.write(self._fd, data)
        return 0

    def wait(self, seconds: float, to_write: bool) -> None:
        """Wait; without a reader, for the whole time."""
        if not self.connected():
            time.sleep(seconds)
            return
        wanted = select.POLLIN | (select.POLLOUT if to_write else 0)
        self._poll.modify(self._fd, wanted)
        self._poll.poll(seconds * 1_000)
        self._poll.modify(self._fd, 0)

    def drain(self) -> None:
        """Wait until all is read, as closing throws away the rest; not for a reader that has gone or stopped."""
        unread, since_s = self._unread(), time.monotonic()
        while self.connected() and time.monotonic() - since_s < {0: LINGER_S, None: DRAIN_S}.get(unread, STUCK_S):
            time.sleep(0.02)
            before, unread = unread, self._unread()
            if unread != before:
                since_s = time.monotonic()

    def _unread(self) -> int | None:
        import fcntl
        import struct
        import termios

        try:
            slave = os.open(self.listening_on, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return None  # the reader keeps it to itself
        try:
            return int(struct.unpack("i", fcntl.ioctl(slave, termios.FIONREAD, b"\0" * 4))[0])
        finally:
            os.close(slave)

    def close(self) -> None:
        """Unplug."""
        os.close(self._fd)
        if not self._can_tell:
            os.close(self._slave)


class TcpOutlet:
    """A TCP port of this machine; one reader at a time, the next one waits."""

    carrier = "stream"
    mouthful = 4_096

    def __init__(self, port: int) -> None:
        self._door = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":
            self._door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._door.bind(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            self._door.close()
            reason = getattr(error, "strerror", None) or error
            raise OutletError(f"TCP port {port} cannot be used ({reason}); try another one, or tcp:0 for any") from None
        self._door.listen(1)
        self._door.setblocking(False)
        self._guest: socket.socket | None = None
        self.listening_on = f"socket://127.0.0.1:{self._door.getsockname()[1]}"

    def connected(self) -> bool:
        """Whether a reader is connected; lets the next one in."""
        if self._guest is None:
            with contextlib.suppress(OSError):
                self._guest, _ = self._door.accept()
                self._guest.setblocking(False)
                self._guest.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._guest is not None

    def read(self) -> bytes:
        """What the host has sent."""
        data = b""
        if self._guest is not None:
            try:
                data = self._guest.recv(4_096)
                if not data:
                    self._part()
            except BlockingIOError:
                pass
            except OSError:
                self._part()
        return data

    def write(self, data: bytes) -> int:
        """Send as much as there is room for."""
        if self._guest is not None:
            try:
                return self._guest.send(data)
            except BlockingIOError:
                pass
            except OSError:
                self._part()
        return 0

    def wait(self, seconds: float, to_write: bool) -> None:
        """Wait for bytes, for room, or for a new reader."""
        whom = self._guest or self._door
        select.select([whom], [whom] if to_write and self._guest is not None else [], [], seconds)

    def drain(self) -> None:
        """The system keeps what is under way."""

    def _part(self) -> None:
        if self._guest is not None:
            self._guest.close()
        self._guest = None

    def close(self) -> None:
        """Unplug."""
        self._part()
        self._door.close()


class MidiOutlet:
    """A MIDI port that other programs see under this name. Whether one of them listens cannot be known."""

    mouthful = 0
    PACE_S = 0.001
    PATIENCE_S = 3.0

    def __init__(self, name: str, plain: bool, clock: Callable[[], float] = time.monotonic) -> None:
        self.carrier = "plain" if plain else "sysex"
        self.listening_on = f"midi:{name}"
        self._clock = clock
        self._mido, self._input, self._output = _midi_ports(name)
        self._made_s = self._next_s = clock()
        self._spoken_to = False
        self._pending = b""

    def connected(self) -> bool:
        """Taken for granted once a host has spoken, or after 3 s."""
        if not self._spoken_to:
            self._pending = self.read()
            self._spoken_to = bool(self._pending) or self._clock() - self._made_s >= self.PATIENCE_S
        return self._spoken_to

    def read(self) -> bytes:
        """The MIDI bytes that came."""
        data, self._pending = self._pending, b""
        return data + b"".join(bytes(message.bytes()) for message in self._input.iter_pending())

    def write(self, data: bytes) -> int:
        """Send one frame, not sooner than a millisecond after the last: bursts get lost on their way."""
        if self._clock() < self._next_s:
            return 0
        for message in self._mido.parse_all(data):
            self._output.send(message)
        self._next_s = self._clock() + self.PACE_S
        return len(data)

    def wait(self, seconds: float, to_write: bool) -> None:
        """Wait, at most until the next frame may go out."""
        time.sleep(min(seconds, self.PACE_S) if to_write else seconds)

    def drain(self) -> None:
        """Let the last frame go out."""
        time.sleep(LINGER_S)

    def close(self) -> None:
        """Unplug."""
        self._output.close()
        self._input.close()


def _midi_ports(name: str) -> tuple[Any, Any, Any]:
    # Only use a JACK server that runs; never start one behind the user's back.
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    try:
        import mido

        output = mido.open_output(name, virtual=True)
    except ImportError:
        raise OutletError(
            "MIDI ports need python-rtmidi, which is not installed (there is none ready-made from Python 3.13 on); "
            "use --on pty or --on tcp:0"
        ) from None
    except (OSError, NotImplementedError, RuntimeError) as error:
        raise OutletError(f"no MIDI port can be made here ({error}); use --on pty or --on tcp:0") from None
    try:
        return mido, mido.open_input(name, virtual=True), output
    except (OSError, NotImplementedError, RuntimeError) as error:
        output.close()
        raise OutletError(f"no MIDI port can be made here ({error}); use --on pty or --on tcp:0") from None


Outlet = PtyOutlet | TcpOutlet | MidiOutlet


def open_outlet(spec: str, plain: bool = False) -> Outlet:
    """Plug in at `pty`, `tcp:PORT` or `midi:NAME`; raises OutletError."""
    kind, _, rest = spec.partition(":")
    if plain and kind != "midi":
        raise OutletError(f"plain notes need a MIDI port; expected --on midi:NAME, got {spec!r}")
    if kind == "pty" and not rest:
        return PtyOutlet()
    if kind == "tcp" and rest.isascii() and rest.isdigit() and int(rest) < 65_536:
        return TcpOutlet(int(rest))
    if kind == "midi" and rest and rest.isprintable():
        return MidiOutlet(rest, plain)
    raise OutletError(f"expected pty, tcp:PORT (0 to 65535) or midi:NAME; got {spec!r}")
