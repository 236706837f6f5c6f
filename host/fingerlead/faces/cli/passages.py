"""`fingerlead send` and `fingerlead open`: changes of a session as text for the chat of any call, and back again."""

import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import analysed, table_from
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.strip import change_strip, scale_words, shared_scale
from fingerlead.faces.strip_text import strip_text
from fingerlead.faces.words import change_sentence, clock_text, intake_sentence, timing_sentence
from fingerlead.phrases import path_text
from fingerlead.sound.takes import render_take, wav_bytes
from fingerlead.store.files import write_output
from fingerlead.store.passage import decode_passage, encode_changes, passage_edges
from fingerlead.store.passage.stretch import Passage
from fingerlead.store.passage.text import BEGIN, END, LONGEST_MESSAGE, LONGEST_PASTE, PassageError
from fingerlead.timing.against import notes_led_to
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.published import as_dict, follows, misread_dict

# Numbers of changes that went astray, told to help choose: as many as a glance takes in.
MOST_NAMED = 10
RATE_HZ = 48_000
BYTES_A_CHARACTER = 4
END_OF_INPUT = "Enter, Ctrl-Z and Enter" if sys.platform == "win32" else "Enter and Ctrl-D"


@options.with_reading
def send(
    file: Annotated[Path, typer.Argument(metavar="SESSION", help="A session, or any other file of playing.")],
    changes: Annotated[
        str | None,
        typer.Option("--changes", metavar="N..M", help="Which changes, or which one: numbers as in analyse's CSV."),
    ] = None,
    *,
    reading: options.ReadOptions,
) -> None:
    """Put the finger times of some changes into text to paste into a chat; `fingerlead open` makes the same of it."""
    wanted = None if changes is None else numbers(changes)
    _, analysis = analysed(file, table_from(reading.table, reading.alternates), reading)
    name = path_text(file)
    if wanted is None:
        typer.echo(f"A whole session goes as a file: send {name} itself, by mail or as an attachment.")
        typer.echo(what_to_choose(analysis))
        return

    first, last = wanted
    with problem_from(PassageError):
        message = encode_changes(analysis, first - 1, last - 1)
    typer.echo(message)
    count = message.count(BEGIN)
    size = f"{len(message)} characters" if count == 1 else f"{count} messages of at most {LONGEST_MESSAGE} characters"
    typer.echo(
        f"{_numbered(first, last)} of {name}, in {size}. Copy all of it into the chat; it opens with: fingerlead open",
        err=True,
    )


def _numbered(first: int, last: int) -> str:
    return f"Change {first}" if first == last else f"Changes {first} to {last}"


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


# The command's name, which the builtin gives way to here.
def open(
    message: Annotated[
        list[str] | None,
        typer.Argument(help="The message, or a file with it; else it is pasted or piped in.", show_default=False),
    ] = None,
    form: Annotated[
        Literal["text", "json"], typer.Option("--format", help="Words, or one JSON object as of analyse.")
    ] = "text",
    strips: options.Strips = True,
    sound: Annotated[
        Path | None, typer.Option("--sound", metavar="FILE.wav", help="Write the passage as sound.", show_default=False)
    ] = None,
    speed: Annotated[float, typer.Option("--speed", help="The sound's speed, its pitch unchanged.")] = 1.0,
) -> None:
    """Open a passage that came as text in a chat: every change in words, with its fingers, and to be heard."""
    text = text_of(message or [])
    with problem_from(PassageError):
        passage = decode_passage(text)
    analysis = passage.analysis()
    written = "" if sound is None else sounded(passage, analysis, sound, speed)
    if form == "json":
        typer.echo(json.dumps(json_object(passage, analysis)))
    else:
        for line in text_lines(passage, analysis, strips):
            typer.echo(line)
    if written:
        typer.echo(written, err=form == "json")


def json_object(passage: Passage, analysis: Analysis) -> dict[str, Any]:
    """The published object, and which changes these are in the session: their numbers as people count, and where."""
    found = as_dict(analysis, "passage", "message")
    # A passage carries the melody as it was read, and where in the session's music each note of it is written.
    places = passage.written(analysis)
    written = [at and {"music": at.music, "pass": at.pass_number, "index": at.number} for at in places]
    for note, at, place in zip(found["notes"], written, places, strict=True):
        note["written"] = None if at is None or place is None else {**at, "bar": place.bar}
    for change, number in zip(found["changes"], notes_led_to(analysis), strict=True):
        change["written"] = follows(written[number - 1], written[number])
    misread = [
        misread_dict(one.kind, one.written, one.note, one.start_us, words)
        for one, words in zip(passage.misread, passage.misread_words(analysis), strict=True)
    ]
    found.update(passes=[], misread=misread)
    first, last = passage.number + 1, passage.number + passage.count
    found["passage"] = {"first": first, "last": last, "at_us": passage.at_us}
    return found


def text_of(message: list[str]) -> str:
    """The text that is named, pasted or piped in; raises Problem."""
    if not message or message == ["-"]:
        if sys.stdin.isatty():
            # To the end of input and not to the end of the message: what is pasted after it is no shell's to run.
            typer.echo(f"Paste the message, from {BEGIN} to {END}; then press {END_OF_INPUT}.", err=True)
        return _text(sys.stdin.buffer.read(LONGEST_PASTE * BYTES_A_CHARACTER), "what was piped in")
    text = " ".join(message)
    if BEGIN in text or END in text:
        return text
    shown = path_text(text)
    try:
        with Path(text).open("rb") as file:
            return _text(file.read(LONGEST_PASTE * BYTES_A_CHARACTER), shown)
    except OSError as error:
        short = shown if len(shown) <= 60 else shown[:59] + "…"
        raise Problem(
            f"expected a message from {BEGIN} to {END}, or a file with one in it; {short} is neither "
            f"({error.strerror or error}). Copy the whole message, between quotation marks"
        ) from None


def _text(data: bytes, whose: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Problem(
            f"{whose}: expected text with a message in it; got bytes that are no text (UTF-8). "
            "A whole session opens with: fingerlead analyse FILE"
        ) from None


def text_lines(passage: Passage, analysis: Analysis, strips: bool) -> Iterator[str]:
    """What a teacher reads: which changes these are, then each in words and, where it went astray, its fingers."""
    changes = list(analysis.changes)
    what = _numbered(passage.number + 1, passage.number + passage.count)
    clean = sum(change.verdict == "clean" for change in changes)
    start = clock_text(passage.at_us + changes[0].start_us)
    yield f"{what} of a session, from {start} on: {clean} of {len(changes)} clean."
    yield timing_sentence(analysis.timing)
    if passage.doubts:
        yield intake_sentence(analysis)
    if passage.misread:
        yield "Not as written:"
    for one, words in zip(passage.misread, passage.misread_words(analysis), strict=True):
        yield f"      {clock_text(passage.at_us + one.start_us)}  {words}"
    drawn = {
        change.number: change_strip(change, analysis.timing)
        for change in changes
        if strips and (change.verdict in ("stray", "apart") or change.slips)
    }
    scale_us = shared_scale(drawn.values())
    if drawn:
        yield scale_words(scale_us)
    yield ""
    for change in changes:
        at = clock_text(passage.at_us + change.start_us)
        yield f"{passage.number + change.number + 1:>4}  {at}  {change_sentence(change, analysis.timing)}"
        if change.number in drawn:
            yield strip_text(drawn[change.number], scale_us)
            yield ""


def sounded(passage: Passage, analysis: Analysis, path: Path, speed: float) -> str:
    """Write the passage's changes as sound, and say so; raises Problem."""
    edges, until_us = passage_edges(passage, analysis)
    shown = path_text(path)
    with problem_from(ValueError), writing("the sound", shown, "name another file with --sound"):
        samples = render_take(edges, until_us, speed, passage.table, rate_hz=RATE_HZ)
        write_output(path, wav_bytes(samples, RATE_HZ))
    return f"{shown}: {len(samples) / RATE_HZ:.1f} seconds of sound."
