"""`fingerlead`: every command by its name, its module and one line. A module is imported when its command runs."""

import logging
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from fingerlead.faces.cli.output import write_plainly
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.plain_text import plain_line
from fingerlead.version import __version__

# By its name: run as a program, this module is called `__main__`.
_log = logging.getLogger("fingerlead.faces.cli.main")

# Name -> module, and the first line of the command's own help. In the order in which people need them: learner,
# teacher, what is written down, the table, the maker.
COMMANDS = {
    "practice": (
        "pages",
        "Practise: sound, the ladder, and after each change which finger led. Ctrl-C ends it and keeps the session.",
    ),
    "live": ("listen", "Tell each change as it happens; Ctrl-C ends it and says what to work on first."),
    "record": ("listen", "Record a session at the chanter; Ctrl-C ends it and keeps everything."),
    "analyse": ("analyse", "Tell of each change which finger led, by how much, and what sounded in between."),
    "studio": (
        "pages",
        "Who needs you first and why, progress, lessons, sessions to replay, homework. All stays on this machine.",
    ),
    "report": (
        "report",
        "Make a report of some sessions: what is cleaner, what to work on, and every change with its fingers.",
    ),
    "unison": (
        "unison",
        "Lay two sessions of one tune over each other: how far apart their notes begin, and their movements' lengths.",
    ),
    "keep": (
        "keep",
        "Keep any file of playing as a session: CSV, MIDI, wire bytes, an old session; and say what was played.",
    ),
    "send": (
        "passages",
        "Put the finger times of some changes into text to paste into a chat; `fingerlead open` makes the same of it.",
    ),
    "open": (
        "passages",
        "Open a passage that came as text in a chat: every change in words, with its fingers, and to be heard.",
    ),
    "bundle": (
        "bundle",
        "Send sessions and questions to your teacher, or homework and answers to a pupil, as one signed file.",
    ),
    "lesson": ("lesson", "Hold a lesson with someone elsewhere: the teacher sees which finger led as it is played."),
    "relay": (
        "relay",
        "Run a relay for lessons apart until Ctrl-C: it carries sealed packets and can read none.",
    ),
    "export": (
        "analyse",
        "Write playing as a MIDI file: the notes, tuned, and the holes, so that it can be analysed again.",
    ),
    "ladder": (
        "ladder",
        "Show the graded exercises: what each trains, how its fingers should move, its music, how it is passed.",
    ),
    "sheet": (
        "sheet",
        "Engrave a sheet for the music stand: staff, letters, fingering, and the order in which the fingers move.",
    ),
    "movements": (
        "movements",
        "Show the grace notes and embellishments: their notes and fingers, how long each lasts, what to listen for.",
    ),
    "moves": (
        "fingering",
        "Show, for each of the 72 changes, the fingers that must lead and follow so that no third note sounds.",
    ),
    "fingering": (
        "fingering",
        "Show the fingerings of the nine notes, or what a pattern of covered holes sounds and how right it is.",
    ),
    "heard": (
        "heard",
        'Tell from the ear alone which finger went out of turn: fingerlead heard "low G" B "low A".',
    ),
    "devices": ("devices", "Find what is plugged in, ask who it is, and name it; and the outputs for notes and sound."),
    "calibrate": (
        "calibrate",
        "Find out from where on each hole counts as covered, say which sensor is faulty, and tell the chanter.",
    ),
    "check": (
        "devices",
        "Try everything that a chanter says it can do, bad requests too, and watch its scans, its link and its clock.",
    ),
    "rig": (
        "rig",
        "Tell how early or late a chanter sees a finger, against a contact at the rim: bias, spread and drift.",
    ),
    "simulate": ("simulate", "Play on a simulated chanter that speaks the real protocol."),
    "bug-report": (
        "bug_report",
        "Pack versions, ports, settings and a log into one file for a bug report: no pupil, no playing, no token.",
    ),
    "demo": (
        "demo",
        "Play an invented session on a simulated chanter, record it, and write its report; or open an invented studio.",
    ),
}


class LazyGroup(TyperGroup):
    """Lists the commands by their lines alone, and loads the one that runs."""

    def __init__(self, **settings: Any) -> None:
        lines = {name: TyperCommand(name, help=line, rich_markup_mode=None) for name, (_, line) in COMMANDS.items()}
        super().__init__(**{**settings, "commands": lines})

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that the first argument names, with all its options; the rest is left to it."""
        name, _, rest = super().resolve_command(ctx, args)
        return name, None if name is None else loaded(name), rest


def loaded(name: str) -> Any:
    """A command as Typer makes it, from the function of its name in its module, with the forms that it has, if any."""
    module = import_module(f"fingerlead.faces.cli.{COMMANDS[name][0]}")
    alone = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
    function = getattr(module, name.replace("-", "_"))
    forms = getattr(module, f"{function.__name__.upper()}_FORMS", ())
    if forms:
        alone.callback(no_args_is_help=True)(function)
        for form in forms:
            alone.command(form.__name__.replace("_", "-"))(form)
    else:
        alone.command(name)(function)
    return typer.main.get_command(alone)


app = typer.Typer(
    cls=LazyGroup,
    name="fingerlead",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def print_version(wanted: bool) -> None:
    """Print the version and end, where that is wanted."""
    if wanted:
        typer.echo(f"fingerlead {__version__}")
        raise typer.Exit


@app.callback()
def everywhere(
    ctx: typer.Context,
    log: Annotated[
        Path | None, typer.Option("--log", metavar="FILE", help="Keep a log in FILE, for a bug report.")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and end.", is_eager=True, callback=print_version)
    ] = False,
) -> None:
    """Which finger led? Finger timing for the Highland practice chanter."""
    from fingerlead.log import VARIABLE, LogError, begin

    with problem_from(LogError):
        begin(os.environ.get(VARIABLE, ""), log)
    _log.info("%s begins", ctx.invoked_subcommand)
    ctx.call_on_close(lambda: _log.info("%s ends", ctx.invoked_subcommand))


def run() -> None:
    """Run the command line: exit code 0 done, 1 a problem with the input, 2 wrong usage."""
    write_plainly()
    try:
        app()
    except Problem as problem:
        _log.info("a problem", exc_info=True)
        typer.echo(f"fingerlead: {plain_line(str(problem))}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        # The reader of the output has gone, and what is still to be flushed has to go somewhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        _log.info("a problem", exc_info=True)
        typer.echo(plain_line(f"fingerlead: {name}{error.strerror or error}"), err=True)
        sys.exit(1)
    except Exception:
        _log.exception("failed")
        raise


if __name__ == "__main__":
    run()
