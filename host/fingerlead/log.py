"""The program's log: what a bug report needs. Quiet unless asked for, and never with the name of a pupil.

    FINGERLEAD_LOG=LEVEL    to stderr: debug, info, warning or error
    fingerlead --log FILE   into a file, at that level, else debug

Every module logs to its own `logging.getLogger(__name__)`, and nothing once a frame: no name of a pupil, no path (a
folder may be named after a person), no token, and of what a person typed the port alone. An exception is logged by its
type and its places in the program, and by its words only where they can hold none of that. Of what strangers at a
page's door cause there is at most a line a second.
"""

import logging
import platform
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from fingerlead.plain_text import plain_line
from fingerlead.version import __version__

VARIABLE = "FINGERLEAD_LOG"
LEVELS = ("debug", "info", "warning", "error")
HEAD = "# a log of fingerlead, times in UTC\n"
LINE = "%(asctime)s.%(msecs)03dZ %(levelname)s %(threadName)s %(name)s: %(message)s"
# Their words come from Python itself, and name nothing that a person named.
PLAIN = (AttributeError, IndexError, ModuleNotFoundError, NameError, RecursionError, ZeroDivisionError)
SELDOM_S = 1.0
_log = logging.getLogger(__name__)


class LogError(ValueError):
    """A log that cannot be kept as asked; one plain sentence."""


def begin(level: str, file: Path | None) -> None:
    """Log from now on; `level` "" is that of the variable not set. Does nothing where neither is asked for."""
    if level and level.lower() not in LEVELS:
        raise LogError(f"expected one of {', '.join(LEVELS)} in {VARIABLE}; got {level[:40]!r}")
    handlers: list[logging.Handler] = [logging.StreamHandler()] if level else []
    if file is not None:
        handlers.append(_file_handler(file))
    for name in ("fingerlead", "uvicorn.error"):
        logger = logging.getLogger(name)
        for handler in handlers:
            handler.setFormatter(Formatter())
            logger.addHandler(handler)
    if handlers:
        logging.getLogger("fingerlead").setLevel((level or "debug").upper())
        # At a lower level it logs addresses, tokens and all.
        logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
        _log.info("%s", versions())


def hush(*names: str) -> None:
    """Keep off the terminal what libraries log under these names, where no log was asked for."""
    for name in names:
        logging.getLogger(name).addHandler(logging.NullHandler())


class Seldom(logging.Filter):
    """Lets through one record a second, with the number of those left out before it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        self._next_s = float("-inf")
        self._left_out = 0

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether a record goes into the log."""
        now_s = self._clock()
        if now_s < self._next_s:
            self._left_out += 1
            return False
        if self._left_out:
            record.msg, record.args = f"{record.getMessage()} (and {self._left_out} more left out)", ()
        self._next_s, self._left_out = now_s + SELDOM_S, 0
        return True


def versions() -> str:
    """This program, Python and the system."""
    return f"fingerlead {__version__}, Python {platform.python_version()}, {platform.platform()}"


def is_log(path: Path) -> bool:
    """Whether a file is a log of this program; raises OSError."""
    with path.open("rb") as file:
        return file.read(len(HEAD)) == HEAD.encode()


def port_words(spec: str) -> str:
    """A port as it may be logged: a recording that is played again has a path in its name."""
    kind, colon, _ = spec.partition(":")
    return "replay" if colon and kind == "replay" else spec


class Formatter(logging.Formatter):
    """A line for each record, in UTC; an exception by its type and places."""

    converter = staticmethod(time.gmtime)

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802
        """The line; what a message quotes from outside cannot begin another one."""
        return plain_line(super().formatMessage(record))

    def __init__(self) -> None:
        super().__init__(LINE, "%Y-%m-%dT%H:%M:%S")

    def formatException(  # noqa: N802
        self,
        ei: tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None],
    ) -> str:
        """The chain of exceptions, the last one last, without the words that may name a person or a path."""
        lines: list[str] = []
        error = ei[1]
        while error is not None:
            lines[:0] = [*_places(error.__traceback__), f"  {_words(error)}"]
            error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
        return "\n".join(lines)


def _words(error: BaseException) -> str:
    kind = f"{type(error).__module__}.{type(error).__qualname__}".removeprefix("builtins.")
    said = str(error) if isinstance(error, PLAIN) else (error.strerror or "") if isinstance(error, OSError) else ""
    return f"{kind}: {said}" if said else kind


def _places(trace: TracebackType | None) -> list[str]:
    import traceback

    return [
        f"  at {'/'.join(Path(place.filename).parts[-2:])}, line {place.lineno}, in {place.name}"
        for place in traceback.extract_tb(trace)
    ]


def _file_handler(path: Path) -> logging.Handler:
    try:
        if path.exists() and (not path.is_file() or (path.stat().st_size and not is_log(path))):
            raise LogError(f"{path}: expected a new file or an older log; this is something else. Name another file")
        with path.open("a", encoding="utf-8") as file:
            file.write("" if file.tell() else HEAD)
        return logging.FileHandler(path, encoding="utf-8")
    except OSError as error:
        raise LogError(f"{path}: the log cannot be written: {error.strerror or error}; name another file") from None
