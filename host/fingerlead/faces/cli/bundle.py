"""`fingerlead bundle`: what pupil and teacher apart send each other, made and taken in, each signed."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from fingerlead.bundle.keys import BundleError, OwnKey, key_picture, key_text, key_words
from fingerlead.bundle.packing import GREATEST
from fingerlead.bundle.pupil_side import PupilSide
from fingerlead.bundle.teacher_side import TeacherSide
from fingerlead.faces.cli.problem import Problem, problem_from, writing
from fingerlead.faces.pages.practice.teacher import pupil_named
from fingerlead.faces.words import clock_text, practised_name, practised_names
from fingerlead.phrases import day_words, path_text
from fingerlead.store.files import own_folder, write_output
from fingerlead.store.session_file import SessionError
from fingerlead.studio import questions as asked_questions
from fingerlead.studio.pupils import LONGEST_NAME, StudioError
from fingerlead.studio.studio import Studio

Folder = Annotated[
    Path | None,
    typer.Option("--folder", help="A pupil's sessions and progress; else your own data folder.", show_default=False),
]
OfStudio = Annotated[
    Path | None, typer.Option("--studio", help="A teacher's studio: this side is the teacher's.", show_default=False)
]
WhosePupil = Annotated[
    str, typer.Option("--pupil", help="Which pupil of the studio, by name or key.", show_default=False)
]
Output = Annotated[
    Path | None, typer.Option("-o", "--output", metavar="FILE", help="The bundle's file.", show_default=False)
]


def bundle() -> None:
    """Send sessions and questions to your teacher, or homework and answers to a pupil, as one signed file."""


def make(
    folder: Folder = None,
    studio: OfStudio = None,
    pupil: WhosePupil = "",
    name: Annotated[
        str,
        typer.Option(
            "--name", help="What you want to be called in it; without it, no name is in it.", show_default=False
        ),
    ] = "",
    output: Output = None,
) -> None:
    """Make the next bundle: what the other side has not yet. It is signed, not secret: who gets it can read it."""
    if len(name) > LONGEST_NAME:
        raise Problem(f"expected a name of at most {LONGEST_NAME} letters; got {len(name)}. Shorten it")
    with problem_from(BundleError, StudioError):
        if studio is None:
            side = PupilSide(_own(folder))
            where = output or Path(side.exchange.next_file("for teacher"))
            _refuse_there(where)
            made = side.make(date.today(), name)
            next_step = "Send it to your teacher, by chat, mail or USB stick."
        else:
            if name:
                raise typer.BadParameter("a teacher's bundle carries no name; leave --name out")
            with _teacher(studio, pupil) as (teacher, key):
                where = output or Path(teacher.exchange(key).next_file("from teacher"))
                _refuse_there(where)
                made = teacher.make(key, date.today())
            next_step = "Send it to this pupil, by chat, mail or USB stick."
    shown = path_text(where)
    with writing("the bundle", shown, "name another file with -o"):
        write_output(where, made.data)
    typer.echo(f"{shown}: bundle {made.number}, with {made.words}. {next_step}")


def take_in(
    file: Annotated[Path, typer.Argument(metavar="BUNDLE", help="The file that came from the other side.")],
    words: Annotated[
        str,
        typer.Option(
            "--words", help="Once, the eight words that the sender reads out, or their key.", show_default=False
        ),
    ] = "",
    folder: Folder = None,
    studio: OfStudio = None,
    pupil: WhosePupil = "",
) -> None:
    """Take a bundle in, whole or not at all; taken in twice, it changes nothing."""
    data = bundle_bytes(file)
    with problem_from(BundleError, StudioError):
        if studio is None:
            came = PupilSide(_own(folder)).take_in(data, date.today(), words)
        else:
            with Studio(studio) as there:
                key = pupil_named(there, pupil).key if pupil else ""
                key, came = TeacherSide(there).take_in(data, date.today(), key, words)
                typer.echo(f"From {there.pupil(key).name}.")
    typer.echo(came.sentence)


def words(
    folder: Folder = None,
    studio: OfStudio = None,
    qr: Annotated[bool, typer.Option("--qr", help="Show the key as a QR code too.")] = False,
) -> None:
    """Show this side's eight words, to read out in a call: by them the other side knows your bundles."""
    with problem_from(BundleError, StudioError):
        key = _own_key(folder, studio)
        picture = key_picture(key.public) if qr else []
    typer.echo(key_words(key.public))
    for line in picture:
        typer.echo(line)
    typer.echo(key_text(key.public))


def ask(
    text: Annotated[str, typer.Argument(help="What you want to know.")],
    about: Annotated[
        str, typer.Option("--about", help="The rung or tune it is about, by its key.", show_default=False)
    ] = "",
    session: Annotated[
        Path | None, typer.Option("--session", help="The session it is about.", show_default=False)
    ] = None,
    at: Annotated[float, typer.Option("--at", min=0, help="The moment in it, in seconds.", show_default=False)] = 0,
    folder: Folder = None,
) -> None:
    """Ask your teacher something; it goes with the next bundle."""
    if about and about not in practised_names():
        raise Problem(f"expected the key of a rung or a tune, as fingerlead ladder lists them; got {about[:40]!r}")
    with problem_from(StudioError, SessionError, OSError):
        PupilSide(_own(folder)).ask(text, date.today(), about, session, round(at * 1_000_000))
    typer.echo("Asked. It goes with the next bundle: fingerlead bundle make")


def questions(folder: Folder = None, studio: OfStudio = None, pupil: WhosePupil = "") -> None:
    """Show what was asked and answered, and what has no answer yet."""
    with problem_from(StudioError, OSError):
        if studio is None:
            where = PupilSide(_own(folder)).folder
        else:
            with Studio(studio) as there:
                where = there.of(pupil_named(there, pupil).key)
        asked, replies = asked_questions.questions(where), asked_questions.replies(where)
    for number, each in enumerate(asked, 1):
        typer.echo(f"{number}. {day_words(each.day)}{_place(each)}: {each.asked or 'a passage'}")
        answers = [f"{day_words(reply.day)}: {reply.text}" for reply in replies if reply.answers == each.id]
        for line in answers or ["no answer yet"]:
            typer.echo(f"   {line}")
    if not asked:
        typer.echo("Nothing was asked yet.")


def answer(
    number: Annotated[int, typer.Argument(min=1, help="Which question, by its number in questions.")],
    text: Annotated[str, typer.Argument(help="The answer.")],
    studio: OfStudio = None,
    pupil: WhosePupil = "",
) -> None:
    """Answer a pupil's question; the answer goes with the next bundle."""
    with problem_from(StudioError, OSError), _teacher(studio, pupil) as (teacher, key):
        folder = teacher.studio.of(key)
        asked = asked_questions.questions(folder)
        if not asked:
            raise Problem(f"{teacher.studio.pupil(key).name} has asked nothing yet. Take in their next bundle first")
        if number > len(asked):
            raise Problem(f"expected a question from 1 to {len(asked)}; got {number}. See fingerlead bundle questions")
        asked_questions.reply(folder, asked[number - 1].id, text, date.today())
    typer.echo("Answered. It goes with the next bundle.")


def model(
    file: Annotated[Path, typer.Argument(metavar="SESSION", help="Your own playing, as a session.")],
    studio: OfStudio = None,
    pupil: WhosePupil = "",
) -> None:
    """Let a session of yours go with the next bundle as a model take, for a pupil to hear."""
    with problem_from(BundleError, StudioError), _teacher(studio, pupil) as (teacher, key):
        new = teacher.add_model(key, file)
    typer.echo("It goes with the next bundle." if new else "This take is there already.")


def forget(folder: Folder = None, studio: OfStudio = None, pupil: WhosePupil = "") -> None:
    """Forget the other side's key, because they have a new one; the next bundle needs the new eight words."""
    with problem_from(BundleError, StudioError, OSError):
        if studio is None:
            PupilSide(_own(folder)).exchange.forget(date.today())
        else:
            with _teacher(studio, pupil) as (teacher, key):
                teacher.exchange(key).forget(date.today())
    typer.echo("Forgotten. The next bundle needs the new eight words.")


BUNDLE_FORMS = (make, take_in, words, ask, questions, answer, model, forget)


def bundle_bytes(path: Path) -> bytes:
    """The bytes of a bundle's file, as many as one may have and one more; raises Problem."""
    shown = path_text(path)
    if path.is_dir():
        raise Problem(f"{shown}: expected a bundle; this is a folder. Name the file in it")
    if path.exists() and not path.is_file():
        raise Problem(f"{shown}: expected a bundle; this is a device or a pipe. Name a file")
    try:
        with path.open("rb") as file:
            return file.read(GREATEST + 1)
    except OSError as error:
        raise Problem(f"{shown}: it cannot be read: {error.strerror or error}. Name another file") from None


def _own(folder: Path | None) -> Path:
    return own_folder() if folder is None else folder


def _own_key(folder: Path | None, studio: Path | None) -> OwnKey:
    if studio is None:
        return PupilSide(_own(folder)).key()
    with Studio(studio) as there:
        return TeacherSide(there).key()


@contextmanager
def _teacher(studio: Path | None, pupil: str) -> Iterator[tuple[TeacherSide, str]]:
    """A teacher's side, and the key of the pupil; raises StudioError."""
    if studio is None or not pupil:
        raise typer.BadParameter("a teacher names both: --studio FOLDER --pupil NAME")
    with Studio(studio) as there:
        yield TeacherSide(there), pupil_named(there, pupil).key


def _refuse_there(path: Path) -> None:
    if path.exists():
        raise Problem(f"{path_text(path)}: expected the name of a new file, but this one exists; name another with -o")


def _place(asked: asked_questions.Question) -> str:
    """What a question is about, to go after its day."""
    piece = f", {practised_name(asked.piece)}" if asked.piece in practised_names() else ""
    return piece + (f", at {clock_text(asked.at_us)}" if asked.session else "")
