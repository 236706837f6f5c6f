"""`fingerlead lesson`: a live lesson, teacher and pupil apart, in two terminals."""

import contextlib
import queue
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

import typer

from fingering.table import standard_table
from fingerlead.faces.cli import options
from fingerlead.faces.cli.inputs import known_movements
from fingerlead.faces.cli.listen import teller
from fingerlead.faces.cli.problem import Problem, problem_from
from fingerlead.faces.cli.running import (
    LOOK_S,
    UnkeptTeller,
    expect_all,
    expect_bytes,
    session_of,
    until_interrupted,
    while_asked,
)
from fingerlead.lesson.code import draw_code, read_code
from fingerlead.lesson.copying import copy_into
from fingerlead.lesson.direct_line import DirectLine
from fingerlead.lesson.end import LessonEnd, LessonEvent, Took, Turned
from fingerlead.lesson.entries import ACTS, ActDone, Consent, Ending, Entry, PinRemark, PointAt, SayWord, SetRung
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import Role
from fingerlead.lesson.line import LessonLine, LineRefused
from fingerlead.lesson.relay import read_ticket
from fingerlead.lesson.relay_line import RelayLine
from fingerlead.lesson.running import LessonRun
from fingerlead.lesson.watching import Sureness, Watched
from fingerlead.listening.listening import Heard, Listening
from fingerlead.listening.reader import Reader
from fingerlead.listening.recording import record as keep_recording
from fingerlead.listening.sources import open_source
from fingerlead.phrases import path_text
from fingerlead.plain_text import plain_line
from fingerlead.ports.base import now_us
from fingerlead.store.session_file import SessionError
from fingerlead.timing.results import Timing
from fingerlead.version import __version__
from fingerlead.wire.plain_midi import NoteNumbers

LONGEST_NAME = 60
# After the pupil has ended the lesson, what is missing at the teacher's is waited for so long.
ENDS_WITHIN_S = 30.0
Ticket = Annotated[
    Path | None,
    typer.Option(
        "--ticket", metavar="FILE", help="A relay's ticket; without one the line is direct.", show_default=False
    ),
]
Output = Annotated[Path, typer.Option("--output", "-o", help="The session file to write; it must not exist yet.")]
Name = Annotated[str, typer.Option("--name", help="What the other side is told you are called.", show_default=False)]


def lesson() -> None:
    """Hold a lesson with someone elsewhere: the teacher sees which finger led as it is played."""


def begin(output: Output, ticket: Ticket = None, name: Name = "", strips: options.Strips = True) -> None:
    """Begin a lesson as its teacher: your pupil joins by a code or a text, and each change is told as it is played."""
    _check_name(name)
    tell = teller(strips)

    def hear(what: Heard | None, timing: Timing | None, sureness: Sureness) -> None:
        # What is uncertain waits until it is sure.
        if sureness == "sure" and what is not None and timing is not None:
            tell(what, timing)

    with (
        until_interrupted() as interrupted,
        problem_from(LessonError, LineRefused, SessionError),
        session_of("lesson", output, NoteNumbers()) as keep,
    ):
        watched = Watched(standard_table(), hear, keep)
        try:
            with _teachers_run(ticket) as (run, events):
                _teach(run, events, watched, name, interrupted)
                whole = run.end.whole
        except BaseException:
            if keep is not None and (watched.listening is None or not watched.listening.bytes):
                keep.discard()
            raise
        watched.close()
        if watched.listening is None and keep is not None:
            keep.discard()
    if watched.listening is None:
        raise Problem("no pupil joined, so no session was kept; begin anew, with a new code or text")
    expect_bytes(watched.listening, "the pupil's chanter")
    expect_all(watched.listening)
    kept = path_text(output)
    if watched.problem or not whole:
        raise Problem(f"the lesson broke off: {watched.problem or 'its end did not come'}; what came is kept in {kept}")
    typer.echo(f"The lesson is over, and the same on both sides. Kept in {kept}. Next: fingerlead analyse {kept}")


def join(
    port: options.PortName,
    output: Output,
    code: Annotated[
        str, typer.Option("--code", help="By a relay, the four words that your teacher says.", show_default=False)
    ] = "",
    ticket: Ticket = None,
    name: Name = "",
    agree: Annotated[bool, typer.Option("--agree", help="Agree to be listened to, and do not ask.")] = False,
    for_seconds: options.ForSeconds = None,
    own: options.OwnFile = None,
    first_note: options.FirstNote = 24,
    channel: options.Channel = 16,
) -> None:
    """Join a lesson as its pupil: play, and your teacher sees your fingers. Ctrl-C ends it."""
    _check_name(name)
    plays, known = NoteNumbers(first_note, channel - 1), known_movements(own)
    consent = Consent(name, f"fingerlead {__version__}", plays.base_note, plays.channel, known.text)
    with (
        until_interrupted() as interrupted,
        problem_from(LessonError, LineRefused),
        _pupils_run(ticket, code) as (run, events),
    ):
        teacher = _teacher_of(run, events, interrupted)
        who = plain_line(teacher.name) or "Your teacher"
        if not agree:
            with while_asked():
                agree = typer.confirm(f"{who} would listen to your fingers and keep the session. Do you agree?")
        if not agree:
            typer.echo("Nothing of your playing was sent.")
            return
        run.ask(consent)
        typer.echo(f"{who} listens. Ctrl-C ends the lesson.")
        with session_of(port, output, plays) as keep:
            listening = Listening(standard_table(), lambda what, timing: None, keep=keep, plays=plays, known=known)
            copy_into(listening, run.ask)
            unkept = UnkeptTeller()

            def tick(kept: Listening) -> None:
                unkept.look(kept)
                _tell_pupil(run, events, who)

            reader = Reader(lambda: open_source(port)).start()
            for_us = None if for_seconds is None else round(for_seconds * 1_000_000)
            keep_recording(reader, listening, tick, interrupted, for_us)
        expect_bytes(listening, port)
        over = _end(run, events)
    kept = path_text(output)
    typer.echo(
        f"All of it is at your teacher's. Kept in {kept}."
        if over
        else f"Not all of it has reached your teacher; it is whole in {kept}, which you can send."
    )
    expect_all(listening)


LESSON_FORMS = (begin, join)
Events = queue.Queue[LessonEvent]


def _check_name(name: str) -> None:
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise Problem(f"expected a name of at most {LONGEST_NAME} letters on one line; got another. Shorten it")


def _ask(what: str) -> str:
    with while_asked():
        return str(typer.prompt(what))


@contextlib.contextmanager
def _running(role: Role, secret: bytes, line: LessonLine) -> Iterator[tuple[LessonRun, Events]]:
    """An end at work until the block is left."""
    events: Events = queue.Queue()
    run = LessonRun(LessonEnd(role, secret, now_us()), line, lambda event, _: events.put(event)).start()
    try:
        yield run, events
    finally:
        run.stop()
    run.check()


@contextlib.contextmanager
def _teachers_run(ticket: Path | None) -> Iterator[tuple[LessonRun, Events]]:
    if ticket is not None:
        code = draw_code()
        with RelayLine(read_ticket(ticket), code.subject, "teacher") as line:
            typer.echo(f"The code, good for ten minutes and one pupil: {code}")
            with _running("teacher", code.secret, line) as running:
                yield running
        return
    with DirectLine("teacher") as direct:
        typer.echo(f"Send your pupil this text:\n{direct.invite()}")
        direct.accept(_ask("Paste the pupil's answer"))
        direct.wait_open()
        with _running("teacher", direct.secret, direct) as running:
            yield running


@contextlib.contextmanager
def _pupils_run(ticket: Path | None, code: str) -> Iterator[tuple[LessonRun, Events]]:
    if ticket is not None:
        words = read_code(code or _ask("The four words that your teacher says"))
        with (
            RelayLine(read_ticket(ticket), words.subject, "pupil") as line,
            _running("pupil", words.secret, line) as running,
        ):
            yield running
        return
    if code:
        raise Problem("expected a relay's ticket beside the code; name it with --ticket, or leave --code out")
    with DirectLine("pupil") as direct:
        typer.echo(f"Send your teacher this answer:\n{direct.answer(_ask('Paste the text of your teacher'))}")
        direct.wait_open()
        with _running("pupil", direct.secret, direct) as running:
            yield running


def _next(run: LessonRun, events: Events) -> LessonEvent | None:
    """The next event, within a short time; raises Problem where the lesson is refused."""
    run.check()
    try:
        event = events.get(timeout=LOOK_S)
    except queue.Empty:
        return None
    if isinstance(event, Turned) and event.phase == "refused":
        raise LessonError(event.why)
    return event


def _teach(run: LessonRun, events: Events, watched: Watched, name: str, interrupted: Callable[[], bool]) -> None:
    """The teacher's lesson until it is over."""
    ends_s: float | None = None
    met = False
    while ends_s is None or time.monotonic() < ends_s:
        if interrupted() and ends_s is None:
            run.ask(Ending("the teacher ended it"))
            ends_s = time.monotonic() + (ENDS_WITHIN_S if met else 0)
        event = _next(run, events)
        if event is None:
            watched.idle()
        elif not isinstance(event, Turned):
            watched.take(event)
        elif event.phase == "agreed":
            run.ask(Consent(name, f"fingerlead {__version__}"))
            typer.echo("The pupil has joined, and is asked to agree.")
        elif event.phase == "over":
            return
        else:
            who = plain_line(run.end.theirs.name) if run.end.theirs is not None else ""
            typer.echo(_phase_words(event, who or "The pupil", again=met))
            met = True


def _phase_words(event: Turned, who: str, *, again: bool) -> str:
    if event.phase == "away":
        return f"{who} is not heard; the lesson goes on when the line is back."
    return f"{who} is heard again." if again else f"{who} plays."


def _teacher_of(run: LessonRun, events: Events, interrupted: Callable[[], bool]) -> Consent:
    """Who would listen, once both know the code."""
    while not interrupted():
        _next(run, events)
        if run.end.theirs is not None:
            return run.end.theirs
    raise Problem("the lesson was left before it began; nothing of your playing was sent")


def _tell_pupil(run: LessonRun, events: Events, who: str) -> None:
    """Say what the teacher did, and answer it."""
    with contextlib.suppress(queue.Empty):
        while True:
            event = events.get_nowait()
            if isinstance(event, Turned) and event.phase in ("open", "away"):
                typer.echo(f"{who} {'listens' if event.phase == 'open' else 'is not heard; play on'}.")
            elif isinstance(event, Took) and isinstance(event.entry, ACTS):
                typer.echo(f"{who}: {plain_line(_act_words(event.entry))}")
                run.ask(ActDone(event.number))


def _act_words(act: Entry) -> str:
    match act:
        case SetRung(key):
            return f"play {key}"
        case SayWord(word):
            return word
        case PinRemark(text=text):
            return text
        case PointAt(at_us=at_us):
            return f"look at {at_us / 1_000_000:.1f} s"
    return ""


def _end(run: LessonRun, events: Events) -> bool:
    """End the pupil's lesson; whether all of it is at the teacher's."""
    run.ask(Ending("the pupil ended it"))
    give_up_s = time.monotonic() + ENDS_WITHIN_S
    while run.end.phase != "over" and time.monotonic() < give_up_s:
        _next(run, events)
    return run.end.phase == "over"
