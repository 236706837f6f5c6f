"""`fingerlead demo`: an invented evening that plays by itself, from the chanter's bytes to the report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def demo(
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the session, the truth and the report are put.")
    ] = Path("out"),
    speed: Annotated[float, typer.Option(min=1, max=100, help="Times as fast as real time.")] = 8.0,
) -> None:
    """Play an invented evening on a simulated chanter, record it, and write its report."""
    from demo.play import play_evening

    play_evening(folder, speed, typer.echo)
