"""`fingerlead bug-report`: one file that holds what a bug report needs, and no pupil, no session and no token."""

import io
import json
import platform
import re
import shutil
import sys
import zipfile
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Annotated, Any

import typer

from fingerlead.faces.cli.problem import Problem, writing
from fingerlead.log import is_log
from fingerlead.phrases import path_text
from fingerlead.ports import midi_out, sound_port
from fingerlead.ports.catalogue import midi_ports, serial_ports
from fingerlead.practice.choices import Choices
from fingerlead.store.files import own_folder, write_output
from fingerlead.version import __version__

LARGEST_LOG = 1 << 24
NOT_FOR_USERS = re.compile(r"extra == .(test|check)")


def bug_report(
    log: Annotated[
        Path | None, typer.Argument(metavar="[LOG]", help="A log that fingerlead --log FILE has kept.")
    ] = None,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE.zip", help="The file to write.")] = Path(
        "fingerlead-bug-report.zip"
    ),
) -> None:
    """Pack versions, ports, settings and a log into one file for a bug report: no pupil, no playing, no token."""
    parts = {
        "versions.json": (versions(), "the versions of fingerlead, Python, this system and the libraries in use"),
        "ports.json": (
            ports(),
            "the serial ports, MIDI ports and sound outputs, by this system's names; one may be called after a person",
        ),
        "settings.json": (settings(), "how the practice page is set: the hand on top, and the sound"),
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as zipped:
        for name, (content, _) in parts.items():
            zipped.writestr(name, json.dumps(content, indent=2, ensure_ascii=False))
        if log is not None:
            zipped.writestr("log.txt", read_log(log))
    with writing("the bug report", output):
        write_output(output, packed.getvalue())
    typer.echo(f"{path_text(output)} holds, for you to look through before you send it:")
    for name, (_, sentence) in parts.items():
        typer.echo(f"  {name:<14} {sentence}")
    if log is None:
        typer.echo("It holds no log. With one it says more: fingerlead --log trouble.log COMMAND, do again what went")
        typer.echo("wrong, then: fingerlead bug-report trouble.log")
    else:
        typer.echo(f"  {'log.txt':<14} what the program did, from the log you named")
    typer.echo("No pupil of a studio, no session and no token is in it.")


def versions() -> dict[str, Any]:
    """Versions of the program, of Python, of the system, and of what the program requires or can use."""
    return {
        "fingerlead": __version__,
        "python": sys.version,
        "system": platform.platform(),
        "machine": platform.machine(),
        "encoding": sys.stdout.encoding,
        "lilypond": shutil.which("lilypond") is not None,
        "libraries": libraries(),
    }


def libraries() -> dict[str, str]:
    """The version of each library that the program requires or can use, or that it is not there."""
    found: dict[str, str] = {}
    for requirement in metadata.requires("fingerlead") or []:
        name = re.split(r"[^\w.-]", requirement)[0]
        if not NOT_FOR_USERS.search(requirement):
            try:
                found[name] = metadata.version(name)
            except metadata.PackageNotFoundError:
                found[name] = "not installed"
    return found


def ports() -> dict[str, Any]:
    """What the system lists; nothing is opened, and no chanter is asked."""
    listed = {
        "serial": (serial_ports(), ""),
        "midi_in": midi_ports(),
        "midi_out": midi_out.list_outputs(),
        "sound": sound_port.list_outputs(),
    }
    return {kind: {"found": [asdict(each) for each in found], "why_none": why} for kind, (found, why) in listed.items()}


def settings() -> dict[str, Any]:
    """What was chosen on the practice page of this machine."""
    choices = Choices(own_folder())
    return {"hand_on_top": choices.hand_on_top, "sound": asdict(choices.sound())}


def read_log(path: Path) -> str:
    """The end of a log that this program has kept; raises Problem for any other file."""
    try:
        if not path.is_file() or not is_log(path):
            raise Problem(f"{path}: expected a log that fingerlead --log FILE has kept; this is something else")
        return path.read_bytes()[-LARGEST_LOG:].decode("utf-8", "replace")
    except OSError as error:
        raise Problem(f"{path}: the log cannot be read: {error.strerror or error}") from None
