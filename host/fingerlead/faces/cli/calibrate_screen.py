"""What is seen while a chanter is calibrated: bars of raw samples with their levels, what to do next, and tables."""

import sys
from collections import deque
from collections.abc import Iterable, Sequence
from typing import Self

import typer
from rich.console import Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from fingering.holes import FINGERS, HOLES
from fingerlead.faces.cli.console import PlainConsole
from fingerlead.store.chanters import SEAL
from fingerlead.store.skews import Skew
from fingerlead.wire.messages import Levels
from fingerlead.workbench.guidance import Guidance
from fingerlead.workbench.levels import HoleReport
from fingerlead.workbench.measurement import Calibrating
from fingerlead.workbench.samples import PLAN, RawNoise
from fingerlead.workbench.workbench import AWAY_WORDS

BAR = 32
HISTORY = 16
SHADES = "▁▂▃▄▅▆▇█"
SHOWN_EVERY = 4  # of the reads
MARKS = {"good": "good", "doubtful": "doubtful", "bad": "BAD", "not judged": "not judged"}


def bar(value: int, cover_at: int, uncover_at: int, full_scale: int) -> str:
    """One hole's sample as a bar of BAR cells; the levels are lines, shaded where the bar has passed them."""
    filled = min(BAR, round(BAR * value / full_scale))
    cells = ["█" if place < filled else " " for place in range(BAR)]
    for level, mark in ((uncover_at, "╎"), (cover_at, "│")):
        place = min(BAR - 1, round(BAR * level / full_scale))
        cells[place] = "▓" if place < filled else mark
    return "".join(cells)


def history(values: list[int], full_scale: int) -> str:
    """The last samples, the latest on the right."""
    return "".join(SHADES[min(7, value * 8 // (full_scale + 1))] for value in values)


class Screen:
    """The terminal while the calibration runs; in a pipe, one line for each step. Used with `with`."""

    def __init__(self) -> None:
        self._shown: tuple[int, int, str] | None = None
        self._reads = 0
        self._past: list[deque[int]] = [deque(maxlen=HISTORY) for _ in range(HOLES)]
        self._raw_noise = RawNoise()
        self._noise: tuple[int, ...] = ()
        self._live = None
        if sys.stdout.isatty():
            self._live = Live(console=PlainConsole(), auto_refresh=False, transient=True)

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def show_away(self) -> None:
        """Show that the chanter is away."""
        self._shown = None
        if self._live is None:
            typer.echo(f"          {AWAY_WORDS}")
        else:
            self._live.update(Text(AWAY_WORDS, style="bold"), refresh=True)

    def show(self, talk: Calibrating) -> None:
        """Show what there is."""
        steps = talk.steps
        if steps is None or steps.done:
            return
        asked = steps.number, steps.tries, steps.words
        if asked != self._shown:
            self._shown = asked
            if self._live is None:
                typer.echo(f"{steps.number + 1:>2} of {len(PLAN)}  {steps.words}")
        self._reads += 1
        if self._live is None or self._reads % SHOWN_EVERY or steps.latest is None:
            return
        for hole, value in enumerate(steps.latest):
            self._past[hole].append(value)
        self._noise = self._raw_noise.after(talk.raws)
        talk.raws.clear()
        self._live.update(self.picture(talk.before, steps, steps.latest), refresh=True)

    def picture(self, levels: Levels, steps: Guidance, latest: tuple[int, ...]) -> RenderableType:
        """Eight bars with the levels in use, and above them what to do."""
        table = Table(box=None, padding=(0, 1, 0, 0))
        table.add_column("hole", no_wrap=True)
        table.add_column("raw sample, ╎ open │ covered", no_wrap=True)
        table.add_column("now", justify="right")
        table.add_column("noise", justify="right")
        table.add_column("just now", no_wrap=True)
        asked = PLAN[steps.number][1]
        for hole, value in enumerate(latest):
            table.add_row(
                f"{'▶' if hole == asked else ' '} {FINGERS[hole]}",
                Text(bar(value, *levels[hole], steps.full_scale)),
                str(value),
                str(self._noise[hole]) if self._noise else "",
                history(list(self._past[hole]), steps.full_scale),
            )
        # A line of its own, which is there without it too: the table must not jump.
        hold = "Hold still." if steps.holding else ""
        asked_for = f"{steps.number + 1} of {len(PLAN)}  {steps.words}"
        return Group(Text(asked_for, style="bold"), Text(hold, style="bold"), Text(""), table)


def report_table(reports: list[HoleReport]) -> None:
    """Print the holes, one row each."""
    rows = [
        (
            FINGERS[report.hole],
            f"{report.open_raw:.0f}",
            f"{report.covered_raw:.0f}",
            "–" if report.half is None else f"{report.half:.0%}",
            f"{report.snr:.0f}",
            f"{report.drift_raw / max(abs(report.separation), 1.0):.0%}",
            f"{max(report.crosstalk, 0):.0%}",
            f"{report.uncover_at}/{report.cover_at}",
            MARKS[report.verdict],
        )
        for report in reports
    ]
    _print(("hole", "open", "covered", "half", "times noise", "drift", "crosstalk", "levels", ""), rows)


def skew_table(skew: Skew) -> None:
    """Print the holes' skew and bias in ms, and their heights where those are known."""
    names = FINGERS[-len(skew.skew_us) :]
    rows = [
        (name, *(f"{round(us / 1_000, 1) + 0.0:+.1f}" for us in both))
        for name, *both in zip(names, skew.skew_us, skew.bias_us, strict=True)
    ]
    heads = ["hole", "seen later by, ms", "a lift later than a lay by, ms"]
    if skew.heights is not None:
        # The higher the sample at which it sees the bar, the nearer the bar is then.
        heads.append("sees a lift, a lay at, % of the swing")
        each = zip(rows, skew.heights.lift, skew.heights.cover, strict=True)
        rows = [(*row, f"{100 * (SEAL + lift):.0f}, {100 * (SEAL + lay):.0f}") for row, lift, lay in each]
    _print(heads, rows)


def _print(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table whose numbers stand right."""
    table = Table(box=None, padding=(0, 1, 0, 0))
    for head in heads:
        table.add_column(head, justify="left" if head in ("hole", "") else "right", no_wrap=True)
    for row in rows:
        table.add_row(*row)
    PlainConsole().print(table)
