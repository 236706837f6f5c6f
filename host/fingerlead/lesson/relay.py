"""A relay for an evening: NATS's own server, with a configuration written for lessons, and the files that let one in.

The relay carries sealed packets and reads nothing. Teachers and pupils are two users of one account: a teacher's begins
lessons and ends them, a pupil's only joins them. Each gets a *ticket*: a small file with the relay's address, the
user's password and the certificate that the relay must show.
"""

import contextlib
import ctypes
import json
import secrets
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

from fingerlead.lesson.errors import LessonError, unexpected
from fingerlead.lesson.keys import Role
from fingerlead.plain_text import plain_line
from fingerlead.store.certificates import page_certificate
from fingerlead.store.files import make_private, write_whole

PORT = 4222
LONGEST_TICKET = 1 << 14
ROLES: tuple[Role, ...] = ("teacher", "pupil")
# Of each lesson and of all; a stream's share is set aside when it begins.
STREAM_BYTES, ALL_BYTES = 16 << 20, 16 << 30
MOST_CONNECTIONS = 4_096
PATIENCE_S = 10.0
SERVER = "nats-server"
CONFIGURATION, LOG, PORTS = "relay.conf", "relay.log", "ports"
ENDING = ".ticket"
# PR_SET_PDEATHSIG of Linux: prctl(2), and linux/prctl.h for the number.
PARENT_DEATH_SIGNAL = 1
ASK_AGAIN = "ask the relay's owner for the ticket file again"
# What JetStream asks to be allowed: to follow a log; to begin and end a stream besides.
FOLLOW = ("$JS.API.CONSUMER.CREATE.>", "$JS.API.CONSUMER.DELETE.>", "$JS.FC.>")
BEGIN = ("$JS.API.STREAM.CREATE.>", "$JS.API.STREAM.DELETE.>")


@dataclass(frozen=True, slots=True)
class RelayTicket:
    """What lets one in at a relay; `certificate` is PEM, empty where the connection is not encrypted besides."""

    address: str
    user: str
    password: str
    certificate: str = ""


def write_ticket(path: Path, ticket: RelayTicket) -> None:
    """Keep a ticket, for its owner alone. Raises OSError."""
    write_whole(path, json.dumps(asdict(ticket), indent=1).encode())


def read_ticket(path: Path) -> RelayTicket:
    """The ticket in a file; raises LessonError."""
    try:
        with path.open("rb") as file:
            return ticket_of(file.read(LONGEST_TICKET))
    except OSError as error:
        raise LessonError(f"{path}: {error.strerror}; {ASK_AGAIN}") from None


def ticket_of(data: bytes) -> RelayTicket:
    """The ticket in a file's bytes; raises LessonError."""
    try:
        ticket = RelayTicket(**json.loads(data[:LONGEST_TICKET]))
    except (ValueError, TypeError, RecursionError):
        raise unexpected("a relay's ticket", "something else", ASK_AGAIN) from None
    try:
        parts = urlsplit(ticket.address)
        whole = parts.scheme in ("nats", "tls") and bool(parts.hostname) and parts.port is not None
    except (ValueError, AttributeError, TypeError):
        whole = False
    if not whole or not all(isinstance(text, str) for text in asdict(ticket).values()):
        raise unexpected("a relay's ticket with an address such as tls://192.168.1.5:4222", "another", ASK_AGAIN)
    return ticket


def configuration(
    folder: Path, host: str, port: int, passwords: dict[Role, str], certificate: Path | None = None
) -> str:
    """The server's configuration, in its own language."""
    users = "\n".join(f"      {_user(role, passwords[role])}" for role in ROLES)
    tls = (
        f"tls {{ cert_file: {_text(certificate)}, key_file: {_text(certificate)}, timeout: 5 }}\n"
        if certificate
        else ""
    )
    return (
        f"server_name: fingerlead\nlisten: {_text(f'{host}:{port}')}\n{tls}"
        f"ports_file_dir: {_text(folder / PORTS)}\nmax_payload: 4096\nmax_connections: {MOST_CONNECTIONS}\n"
        f"jetstream {{ store_dir: {_text(folder / 'streams')}, max_file: {ALL_BYTES}, max_mem: {1 << 28} }}\n"
        f"accounts {{\n  LESSONS {{\n    jetstream: {{ max_file: {ALL_BYTES}, max_mem: {1 << 28} }}\n"
        f"    users: [\n{users}\n    ]\n  }}\n}}\n"
    )


def _user(role: Role, password: str) -> str:
    theirs = "pupil" if role == "teacher" else "teacher"
    may = [f"lesson.*.{role}.*", *FOLLOW, *(BEGIN if role == "teacher" else ())]
    hears = [f"lesson.*.{theirs}.*", "_INBOX.>"]
    allowed = f"permissions: {{ publish: {json.dumps(may)}, subscribe: {json.dumps(hears)} }}"
    return f"{{ user: {role}, password: {_text(password)}, {allowed} }}"


def _text(value: object) -> str:
    return json.dumps(str(value))


def _ends_with_parent() -> Callable[[], object] | None:
    """What a new process does first so that it ends when the thread that began it does, even by SIGKILL; on Linux."""
    if sys.platform != "linux":
        return None
    # Between fork and exec nothing is loaded any more.
    prctl = ctypes.CDLL(None).prctl
    return lambda: prctl(PARENT_DEATH_SIGNAL, int(signal.SIGTERM))


class Relay:
    """A relay that runs. `tickets` are the files for teachers and pupils; raises LessonError where it cannot begin."""

    def __init__(self, folder: Path, host: str = "127.0.0.1", port: int = PORT, *, tls: bool = True) -> None:
        server = shutil.which(SERVER) or shutil.which(SERVER, path="/usr/sbin:/usr/local/sbin")
        if server is None:
            raise LessonError(
                f"the program {SERVER} is missing; on Debian and Ubuntu sudo apt install nats-server brings it"
            )
        make_private(folder)
        make_private(folder / PORTS)
        for old in (folder / PORTS).glob("*.ports"):
            old.unlink()
        certificate = page_certificate(folder, host, datetime.now(UTC)) if tls else None
        passwords: dict[Role, str] = {role: secrets.token_urlsafe(16) for role in ROLES}
        path = folder / CONFIGURATION
        write_whole(path, configuration(folder, host, port, passwords, certificate).encode())
        # Ctrl-C is for this program, which ends the server when all is closed.
        silent = subprocess.DEVNULL
        self._process = subprocess.Popen(
            [server, "-c", str(path), "-l", str(folder / LOG)],
            stdin=silent,
            stdout=silent,
            stderr=silent,
            start_new_session=True,
            preexec_fn=_ends_with_parent(),
        )
        try:
            self.address = f"{'tls' if tls else 'nats'}://{host}:{self._port(folder / PORTS)}"
            pem = certificate.read_text(encoding="ascii") if certificate else ""
            shown = pem[pem.index("-----BEGIN CERTIFICATE") :] if pem else ""
            self.tickets: dict[Role, Path] = {}
            for role in ROLES:
                self.tickets[role] = folder / f"{role}{ENDING}"
                write_ticket(self.tickets[role], RelayTicket(self.address, role, passwords[role], shown))
        except BaseException:
            self.close()
            raise

    @property
    def running(self) -> bool:
        """Whether the server is at work."""
        return self._process.poll() is None

    def close(self) -> None:
        """End the server; may be called again."""
        self._process.terminate()
        try:
            self._process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def __enter__(self) -> "Relay":
        return self

    def __exit__(self, *failure: object) -> None:
        self.close()

    def _port(self, folder: Path) -> int:
        """The port at which it listens, once it does."""
        give_up_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up_s:
            if not self.running:
                raise LessonError(
                    f"{SERVER} does not begin: {self._last_said(folder.parent)}; "
                    "is the address one of this machine's, and its port free?"
                )
            for found in folder.glob("*.ports"):
                with contextlib.suppress(ValueError, KeyError, IndexError):  # it may be half written
                    return int(urlsplit(json.loads(found.read_bytes())["nats"][0]).port or 0)
            time.sleep(0.02)
        raise LessonError(f"{SERVER} does not begin within {PATIENCE_S:g} s; try again")

    def _last_said(self, folder: Path) -> str:
        with contextlib.suppress(OSError):
            lines = (folder / LOG).read_text(encoding="utf-8", errors="replace").splitlines()
            return plain_line(lines[-1])[-200:] if lines else "it says nothing"
        return "it says nothing"
