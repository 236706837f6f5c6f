"""What rich draws on a terminal: its own codes reach it, and of the text only what is plain."""

import sys
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from fingerlead.faces.cli.output import PlainStream
from fingerlead.plain_text import plain


class PlainConsole(Console):
    """A console on standard output, or on standard error."""

    def __init__(self, stderr: bool = False) -> None:
        stream = sys.stderr if stderr else sys.stdout
        super().__init__(file=stream.terminal if isinstance(stream, PlainStream) else stream, highlight=False)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """The pieces of what is drawn."""
        for piece in super().render(renderable, options):
            yield piece if piece.control else Segment(plain(piece.text), piece.style)
