"""`fingerlead devices`: what is plugged in, and who it says it is."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Literal

import typer

if TYPE_CHECKING:
    from host.live.meeting import Met
    from host.ports.find import Found

SIMULATED = ("sim", "the simulated chanter in this program, always here")


def devices(
    ports: Annotated[
        list[str] | None,
        typer.Argument(help="Ask here too: PTYs and network ports are in no list.", metavar="[PORT]..."),
    ] = None,
    format: Annotated[Literal["text", "json"], typer.Option("--format", help="For people, or for programs.")] = "text",
) -> None:
    """Find what is plugged in, ask who it is, and name it."""
    from concurrent.futures import ThreadPoolExecutor

    from host.ports.find import Found, midi_ports, serial_ports

    midi, no_midi = midi_ports()
    found = [Found(spec, "named by you") for spec in ports or []] + serial_ports() + midi
    # All at once: each may be waited for three seconds.
    with ThreadPoolExecutor(max_workers=max(1, len(found))) as pool:
        met = list(pool.map(_meet, (each.spec for each in found)))
    rows = list(zip(found, met, strict=True))
    if format == "json":
        _as_json(rows)
        return
    if sys.stdout.isatty():
        _as_table(rows)
    else:
        for each, who in rows:
            typer.echo("\t".join((each.spec, who.sentence, each.description)).rstrip())
        typer.echo("\t".join(SIMULATED))
    if no_midi:
        typer.echo(no_midi, err=True)


def _meet(spec: str) -> Met:
    from host.live.meeting import Met, meet
    from host.live.sources import open_source
    from host.ports.base import PortRefused

    try:
        with open_source(spec) as port:
            return meet(port)
    except PortRefused as error:
        return Met("refused", f"{error.cause}; {error.advice}")


def _as_table(rows: list[tuple[Found, Met]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table("port", "who is there", "what the system calls it", box=None, pad_edge=False)
    for each, who in rows:
        table.add_row(Text(each.spec), Text(who.sentence), Text(each.description))
    table.add_row(*SIMULATED, "")
    Console(highlight=False).print(table)


def _as_json(rows: list[tuple[Found, Met]]) -> None:
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
    typer.echo(json.dumps({"schema": "fingerlead-devices-1", "devices": listed}, indent=2))
