"""`fingerlead unison`: two sessions of one tune laid over each other, bar by bar."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from fingering.notes import NOTES
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed, table_from
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.faces.words import music_name
from fingerlead.phrases import listed, path_text
from fingerlead.timing.measured_words import ms
from fingerlead.timing.unison import Unison, UnisonBar, UnisonError
from fingerlead.timing.unison import unison as lay_over

SCHEMA = "fingerlead-unison-1"


@options.with_reading
def unison(
    first: Annotated[Path, typer.Argument(metavar="A", help="A session of a tune, or any file of playing.")],
    second: Annotated[Path, typer.Argument(metavar="B", help="Another of the same tune, laid over the first.")],
    format: options.TextOrJson = "text",
    expect: options.Expect = None,
    beat_on: options.BeatOn = "theme",
    *,
    reading: options.ReadOptions,
) -> None:
    """Lay two sessions of one tune over each other: how far apart their notes begin, and their movements' lengths."""
    if first.exists() and second.exists() and first.samefile(second):
        raise Problem("expected two sessions; the same one is named twice. Name another one second")
    table = table_from(reading.table, reading.alternates)
    ours, theirs = (analysed(file, table, reading, expect)[1] for file in (first, second))
    with problem_from(UnisonError):
        found = lay_over(ours, theirs, options.ONSETS[beat_on])
    if format == "json":
        typer.echo(json.dumps(_as_dict(found, beat_on)))
    else:
        for line in _lines(found, first, second):
            typer.echo(line)


def _lines(found: Unison, first: Path, second: Path) -> Iterator[str]:
    unsure_us = found.uncertainty_us
    name, other = path_text(first.name), path_text(second.name)
    percent = round(100 * found.slower)
    yield f"{music_name(found.music.asked.name)}: {other} laid over {name}, {found.notes} notes of each."
    if percent:
        yield f"{other} is {abs(percent)} % {'slower' if percent > 0 else 'faster'}, which is taken out here."
    yield (
        f"Half of the notes begin within {ms(found.spread_us, unsure_us)} of their middle, one session to the other; "
        f"each may be off by {ms(unsure_us)}."
    )
    if found.lengths_us is not None:
        yield f"Their movements differ in length by {ms(found.lengths_us, unsure_us)}, typically."
    yield ""
    for bar in found.bars:
        yield _bar_line(bar, unsure_us)


def _bar_line(bar: UnisonBar, unsure_us: int) -> str:
    name = "Without bars" if bar.bar is None else f"Bar {bar.bar}"
    if not bar.late_us:
        apart = "not laid over: one of the two stopped here, or went back"
    elif bar.apart_us <= unsure_us:
        apart = "together"
    else:
        apart = f"{ms(bar.apart_us, unsure_us)} apart"
    lengths = [
        f"{one.name} on {NOTES[one.note]} {ms(one.first_us, unsure_us)} and {ms(one.second_us, unsure_us)}"
        for one in bar.movements
    ]
    return f"  {name}: {apart}{f'; {listed(lengths)} long' if lengths else ''}."


def _as_dict(found: Unison, beat_on: str) -> dict[str, object]:
    """The JSON object; lengths and differences in µs, later and longer of the second session above 0."""
    return {
        "schema": SCHEMA,
        "name": found.music.asked.name,
        "onset": options.ONSETS[beat_on],
        "notes": found.notes,
        "slower": round(found.slower, 4),
        "spread_us": found.spread_us,
        "lengths_us": found.lengths_us,
        "uncertainty_us": found.uncertainty_us,
        "bars": [
            {
                "bar": bar.bar,
                "late_us": list(bar.late_us),
                "movements": [{**one._asdict(), "note": NOTES[one.note]} for one in bar.movements],
            }
            for bar in found.bars
        ],
    }
