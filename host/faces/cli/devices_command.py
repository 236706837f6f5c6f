"""`fingerlead devices`: what is plugged in, and who it says it is; and what can be played on."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from host.live.meeting import Met
    from host.ports.find import Found

NOTES_OUT = "an output for fingerlead live --midi-out"
SOUND_OUT = "an output for the sound of fingerlead practice"
SIMULATED = ("sim", "the simulated chanter in this program, always here")


def devices(
    ports: Annotated[
        list[str] | None,
        typer.Argument(help="Ask here too: PTYs and network ports are in no list.", metavar="[PORT]..."),
    ] = None,
    format: Annotated[Literal["text", "json"], typer.Option("--format", help="For people, or for programs.")] = "text",
) -> None:
    """Find what is plugged in, ask who it is, and name it; and the outputs for notes and sound."""
    from concurrent.futures import ThreadPoolExecutor

    from host.ports import midi_out, sound_port
    from host.ports.find import Found, midi_ports, serial_ports

    midi, no_midi = midi_ports()
    notes_out, no_notes = midi_out.list_outputs()
    sound_out, no_sound = sound_port.list_outputs()
    outputs = [(each, NOTES_OUT) for each in notes_out] + [(each, SOUND_OUT) for each in sound_out]
    found = [Found(spec, "named by you") for spec in ports or []] + serial_ports() + midi
    # All at once: each may be waited for three seconds.
    with ThreadPoolExecutor(max_workers=max(1, len(found))) as pool:
        met = list(pool.map(_meet, (each.spec for each in found)))
    rows = list(zip(found, met, strict=True))
    if format == "json":
        _as_json(rows, outputs)
        return
    if sys.stdout.isatty():
        _as_table(rows, outputs)
    else:
        for each, who in rows:
            typer.echo("\t".join((each.spec, who.sentence, each.description)).rstrip())
        typer.echo("\t".join(SIMULATED))
        for each, use in outputs:
            typer.echo("\t".join((each.spec, use, each.description)))
    for why in dict.fromkeys((no_midi, no_notes, no_sound)):
        if why:
            typer.echo(why, err=True)


def _meet(spec: str) -> Met:
    from host.live.meeting import Met, meet
    from host.live.sources import open_source
    from host.ports.base import PortRefused

    try:
        with open_source(spec) as port:
            return meet(port)
    except PortRefused as error:
        return Met("refused", f"{error.cause}; {error.advice}")


def _as_table(rows: list[tuple[Found, Met]], outputs: list[tuple[Found, str]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table("port", "who is there", "what the system calls it", box=None, pad_edge=False)
    for each, who in rows:
        table.add_row(Text(each.spec), Text(who.sentence), Text(each.description))
    table.add_row(*SIMULATED, "")
    for output, use in outputs:
        table.add_row(Text(output.spec), use, Text(output.description))
    Console(highlight=False).print(table)


def _as_json(rows: list[tuple[Found, Met]], outputs: list[tuple[Found, str]]) -> None:
    import json

    listed = [
        {
            "port": each.spec,
            "kind": who.kind,
            "says": who.sentence,
            "description": each.description,
            "name": who.hello and who.hello.name,
            "device_id": who.hello and who.hello.device_id.hex(),
        }
        for each, who in rows
    ]
    listed.append(
        {"port": "sim", "kind": "simulated", "says": SIMULATED[1], "description": "", "name": None, "device_id": None}
    )
    out = [{"output": each.spec, "use": use, "description": each.description} for each, use in outputs]
    typer.echo(json.dumps({"schema": "fingerlead-devices-1", "devices": listed, "outputs": out}, indent=2))
