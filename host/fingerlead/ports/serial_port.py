"""Serial ports, and two URLs that pyserial opens: /dev/ttyACM0, COM3, a PTY, socket://…, rfc2217://….

pyserial is imported only in this room. Which exception a vanished port raises differs from system to system and
from call to call; `_VANISHED` and `_lost` are the one place that knows them all.
"""

import contextlib
import errno
import os
import re
import select
import socket
import sys

import serial
from serial import rfc2217

from fingerlead.ports.base import Chunk, Port, PortLost, PortRefused, now_us
from fingerlead.wire.carriers import Carrier

DEFAULT_BAUD = 115_200
URLS = ("socket", "rfc2217")
# A chanter that takes no bytes must not hold up the host.
WRITE_TIMEOUT_S = 1.0
LONGEST_READ = 1 << 16

# pyserial closed by another thread raises TypeError; termios.error is no OSError, and Windows has no termios.
_VANISHED: tuple[type[Exception], ...] = (OSError, TypeError, ValueError, NotImplementedError)
with contextlib.suppress(ImportError):
    import termios

    _VANISHED = (*_VANISHED, termios.error)


class SerialPort(Port):
    """A port that pyserial opens. Raises PortRefused."""

    carrier: Carrier = "stream"

    def __init__(self, spec: str, baud: int = DEFAULT_BAUD, dtr: bool = True) -> None:
        """`dtr` False leaves a board alone that would start anew when its port is opened."""
        self.name = spec
        self._socket: socket.socket | None = None
        scheme, url, _ = spec.partition("://")
        # pyserial's other handlers write logs into files, or take the first port that they find.
        if url and scheme.lower() not in URLS:
            raise PortRefused(
                spec,
                "of addresses only socket:// and rfc2217:// are opened",
                "write socket://HOST:PORT or rfc2217://HOST:PORT",
            )
        try:
            self._serial = serial.serial_for_url(spec, baudrate=baud, do_not_open=True, timeout=0)
            if not isinstance(self._serial, rfc2217.Serial):
                self._serial.write_timeout = WRITE_TIMEOUT_S
            with contextlib.suppress(ValueError):
                self._serial.exclusive = True
            if not dtr:
                self._serial.dtr = False
            self._serial.open()
        except _VANISHED as error:
            raise _refused(spec, error) from None
        with contextlib.suppress(*_VANISHED, AttributeError):
            # Serial adapters hold bytes for up to 16 ms; PTYs and some drivers do not know the setting.
            self._serial.set_low_latency_mode(True)
        if spec.lower().startswith("socket://"):
            # A handle of our own on pyserial's socket: without TCP_NODELAY a round trip takes 44 ms, and pyserial
            # cannot tell how many bytes wait.
            self._socket = socket.fromfd(self._serial.fileno(), socket.AF_INET, socket.SOCK_STREAM)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def read(self, timeout_s: float) -> list[Chunk]:
        """What has come, in one chunk, waiting up to `timeout_s` for its first byte; raises PortLost."""
        try:
            data = self._read_serial(timeout_s) if self._socket is None else self._read_socket(self._socket, timeout_s)
        except _VANISHED as error:
            raise _lost(self.name, error) from None
        return [Chunk(data, now_us())] if data else []

    def write(self, data: bytes) -> None:
        """Send bytes; raises PortLost."""
        try:
            self._serial.write(data)
        except _VANISHED as error:
            raise _lost(self.name, error) from None

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(*_VANISHED):
            if self._socket is not None:
                self._socket.close()
        with contextlib.suppress(*_VANISHED):
            self._serial.close()

    def _read_serial(self, timeout_s: float) -> bytes:
        if self._serial.timeout != timeout_s:
            self._serial.timeout = timeout_s
        first: bytes = self._serial.read(1)
        waiting = self._serial.in_waiting if first else 0
        return first + self._serial.read(min(waiting, LONGEST_READ)) if waiting else first

    def _read_socket(self, link: socket.socket, timeout_s: float) -> bytes:
        if not select.select([link], [], [], timeout_s)[0]:
            return b""
        data = link.recv(LONGEST_READ)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "the other side closed it")
        return data


def _lost(name: str, error: Exception) -> PortLost:
    if isinstance(error, serial.SerialTimeoutException):
        return PortLost(name, "it takes no more bytes")
    if isinstance(error, OSError) and error.errno is not None and not isinstance(error, serial.SerialException):
        if error.errno in (errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF):
            return PortLost(name, "unplugged, or the other side is gone")
        return PortLost(name, error.strerror or str(error))
    return PortLost(name, "unplugged, or the other side is gone")


def _refused(spec: str, error: Exception) -> PortRefused:
    """Why a port did not open, and what to do about it."""
    code = getattr(error, "errno", None)
    text = str(error)
    if "://" in spec:
        cause, advice = "it cannot be opened", "write socket://HOST:PORT or rfc2217://HOST:PORT"
        if any(words in text for words in ("refused", "timed out", "unreachable", "No route")):
            cause, advice = "nothing answers there", "start what should listen there, or check the address"
        return PortRefused(spec, f"{cause} ({_plainly(text)})", advice)
    if code == errno.ENOENT or "FileNotFoundError" in text:
        return PortRefused(
            spec, "there is no such port", "plug the chanter in, or see what there is with: fingerlead devices"
        )
    # Windows says "access denied" where another program has the port, and knows no other lock.
    if code in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
        return PortRefused(spec, "it is busy: another program may have it", "close that program and try again")
    if code in (errno.EACCES, errno.EPERM):
        return PortRefused(spec, "you may not open it", _permission_advice(spec))
    if os.path.isdir(spec):
        return PortRefused(spec, "this is a folder", "name a port in it, or see: fingerlead devices")
    if os.path.isfile(spec):
        return PortRefused(
            spec, "this is a file, not a port", f"to play it back use replay:{spec}; to analyse it, fingerlead analyse"
        )
    return PortRefused(spec, f"it cannot be opened ({_plainly(text)})", "see what there is with: fingerlead devices")


def _permission_advice(spec: str) -> str:
    if not sys.platform.startswith("linux"):
        return "ask the administrator of this computer for access to it"
    group = "dialout"
    with contextlib.suppress(ImportError, OSError, KeyError):
        import grp

        group = grp.getgrgid(os.stat(spec).st_gid).gr_name
    if group == "root":
        group = "dialout"
    return (
        f"join the group {group} with: sudo usermod -aG {group} $USER, and log in again; "
        'or let a udev rule with TAG+="uaccess" open it to the user at the computer'
    )


def _plainly(text: str) -> str:
    """What the operating system says, without decoration."""
    words = re.search(r"(?:\[Errno -?\d+\]|\(\d+,) '?([^':)]+)", text)
    return words[1] if words else text
