"""`fingerlead send`: some changes of a session as text for the chat of any call."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from host.faces.cli import options
from host.faces.cli.problem import Problem

if TYPE_CHECKING:
    from host.timing.analysis import Analysis

# Numbers of changes that went astray, told to help choose: as many as a glance takes in.
MOST_NAMED = 10


def send(
    file: Annotated[Path, typer.Argument(metavar="SESSION", help="A session, or any other file of playing.")],
    changes: Annotated[
        str | None,
        typer.Option("--changes", metavar="N..M", help="Which changes, or which one: numbers as in analyse's CSV."),
    ] = None,
    skew_us: options.SkewUs = None,
    steady_us: options.SteadyUs = options.DEFAULTS.steady_us,
    heard_us: options.HeardUs = options.DEFAULTS.heard_us,
    loose_us: options.LooseUs = options.DEFAULTS.loose_us,
    table: options.TableFile = None,
    alternates: options.Alternates = False,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Put the finger times of some changes into text to paste into a chat; `fingerlead open` makes the same of it."""
    wanted = None if changes is None else numbers(changes)
    settings = options.settings_from(steady_us, heard_us, loose_us)
    chart = options.table_from(table, alternates)
    _, analysis = options.analysed(file, chart, settings, skew_us, first_note, channel)
    name = os.fsencode(file).decode(errors="replace")
    if wanted is None:
        typer.echo(f"A whole session goes as a file: send {name} itself, by mail or as an attachment.")
        typer.echo(what_to_choose(analysis))
        return
    from host.store.passage import PassageError, message_of

    first, last = wanted
    try:
        message = message_of(analysis, first - 1, last - 1)
    except PassageError as error:
        raise Problem(str(error)) from None
    typer.echo(message)
    what = f"Change {first}" if first == last else f"Changes {first} to {last}"
    typer.echo(
        f"{what} of {name}, in {len(message)} characters. Copy all of it into the chat; it opens with: fingerlead open",
        err=True,
    )


def numbers(changes: str) -> tuple[int, int]:
    """The first number and the last of `N..M` or `N`; raises Problem."""
    found = re.fullmatch(r"([0-9]{1,9})(?:\.\.([0-9]{1,9}))?", changes.strip())
    first, last = (0, 0) if found is None else (int(found[1]), int(found[2] or found[1]))
    if not 1 <= first <= last:
        shown = changes if len(changes) <= 40 else changes[:39] + "…"
        raise Problem(f"expected the changes as numbers from 1, such as 12..20 or 12; got {shown!r}")
    return first, last


def what_to_choose(analysis: Analysis) -> str:
    """Which changes there are, and which of them went astray."""
    count = len(analysis.changes)
    if not count:
        return "There are no changes in it."
    astray = [str(change.number + 1) for change in analysis.changes if change.verdict == "stray"]
    some = ", ".join(astray[:MOST_NAMED]) + (" and others" if len(astray) > MOST_NAMED else "")
    told = f" A stray was heard in {some}." if astray else ""
    return f"To send some of its {count} changes as text for a chat: --changes 1..{min(count, 30)}.{told}"
