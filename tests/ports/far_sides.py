"""The far sides of the ports that need no more than this machine."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import tempfile
import threading
import time
import tty
from pathlib import Path

import serial
from serial import rfc2217

from fingerlead.ports.base import now_us
from fingerlead.ports.catalogue import open_port
from fingerlead.ports.simulated_port import SimulatedPort
from tests.ports.port_contract import FarSide, Pump, some_bytes, some_chanter


class PtySide(FarSide):
    """A chanter behind a pseudo-terminal, opened as a serial port."""

    def __init__(self) -> None:
        self.fd, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.spec = os.ttyname(self._slave)
        self._pump = Pump(some_chanter(), lambda data: os.write(self.fd, data), self._take)

    def port(self):
        return open_port(self.spec)

    def start(self) -> None:
        self._pump.start()

    def _take(self) -> bytes:
        return os.read(self.fd, 4096) if select.select([self.fd], [], [], 0)[0] else b""

    def vanish(self) -> None:
        self._pump.stop()
        for fd in (self.fd, self._slave):
            with contextlib.suppress(OSError):
                os.close(fd)

    def close(self) -> None:
        self.vanish()


class SocketSide(FarSide):
    """A chanter behind a TCP port, opened through pyserial's socket://."""

    def __init__(self) -> None:
        self._door = socket.create_server(("127.0.0.1", 0))
        self.spec = f"socket://127.0.0.1:{self._door.getsockname()[1]}"
        self._guest: socket.socket | None = None
        self._pump: Pump | None = None

    def port(self):
        return open_port(self.spec)

    def start(self) -> None:
        self._guest, _ = self._door.accept()
        self._pump = Pump(some_chanter(), self._guest.sendall, self._take)
        self._pump.start()

    def _take(self) -> bytes:
        return self._guest.recv(4096) if select.select([self._guest], [], [], 0)[0] else b""

    def vanish(self) -> None:
        if self._pump is not None:
            self._pump.stop()
        if self._guest is not None:
            self._guest.close()

    def close(self) -> None:
        self.vanish()
        self._door.close()


class Rfc2217Side(SocketSide):
    """A chanter behind a serial port on the network, as RFC 2217 has it; pyserial plays the server."""

    def __init__(self) -> None:
        super().__init__()
        self.spec = self.spec.replace("socket", "rfc2217")
        self._greeter = threading.Thread(target=self._serve, daemon=True)
        self._speak = threading.Event()
        self._greeter.start()

    def start(self) -> None:
        self._speak.set()

    def _serve(self) -> None:
        try:
            self._guest, _ = self._door.accept()
        except OSError:
            return
        manager = rfc2217.PortManager(serial.serial_for_url("loop://"), self)
        chanter = some_chanter()
        started_us = None
        with contextlib.suppress(OSError, ValueError):
            while self._guest.fileno() >= 0:
                heard = b"".join(manager.filter(self._take()))
                if self._speak.is_set():
                    started_us = started_us or now_us()
                    t_us = now_us() - started_us
                    if heard:
                        chanter.hear(heard, t_us)
                    self._guest.sendall(b"".join(manager.escape(chanter.due(t_us))))
                time.sleep(0.002)

    def _take(self) -> bytes:
        if not select.select([self._guest], [], [], 0)[0]:
            return b""
        data = self._guest.recv(4096)
        if not data:
            raise OSError("gone")
        return data

    def write(self, data: bytes) -> None:
        """The manager's own words."""
        self._guest.sendall(data)

    def vanish(self) -> None:
        with contextlib.suppress(OSError):
            self._door.shutdown(socket.SHUT_RDWR)
        if self._guest is not None:
            with contextlib.suppress(OSError):
                self._guest.shutdown(socket.SHUT_RDWR)
        self._greeter.join()
        if self._guest is not None:
            self._guest.close()


class ReplaySide(FarSide):
    """A file of a chanter's bytes, played at its own speed."""

    hears = False

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        path = Path(self._folder.name, "evening.wire")
        path.write_bytes(some_bytes(for_us=2_000_000))
        self.spec = f"replay:{path}"

    def port(self):
        return open_port(self.spec)

    def close(self) -> None:
        self._folder.cleanup()


class SimulatedSide(FarSide):
    """The simulated chanter in the same process."""

    spec = "sim"
    stays = True

    def port(self):
        return SimulatedPort(some_chanter())
