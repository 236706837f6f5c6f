"""Where the command line writes: to streams that pass nothing on which a terminal would obey."""

import io
import sys
from typing import TextIO

from fingerlead.plain_text import plain


class PlainStream(io.TextIOBase):
    """A text stream whose text comes out plain; `terminal` is the stream below, for a program's own control codes.

    It has no `buffer`, as bytes would pass it by. What the encoding of the stream below has not is written as its
    escape.
    """

    def __init__(self, terminal: TextIO) -> None:
        self.terminal = terminal
        if isinstance(terminal, io.TextIOWrapper):
            terminal.reconfigure(errors="backslashreplace")

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """The encoding of the stream below."""
        return self.terminal.encoding

    @property
    def errors(self) -> str | None:  # type: ignore[override]
        """How the stream below writes what its encoding has not."""
        return self.terminal.errors

    def write(self, text: str) -> int:
        """Write text, and give how much of it was written: all."""
        self.terminal.write(plain(text))
        return len(text)

    def flush(self) -> None:
        """Hand on what is still kept back."""
        self.terminal.flush()

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self.terminal.isatty()

    def fileno(self) -> int:
        """The file descriptor below; raises OSError where there is none."""
        return self.terminal.fileno()

    def writable(self) -> bool:
        """That it is for writing."""
        return True


def write_plainly() -> None:
    """Let all that is printed from now on come out plain; a program without a window of text has no streams."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is not None and not isinstance(stream, PlainStream):
            setattr(sys, name, PlainStream(stream))
