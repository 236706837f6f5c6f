"""A pupil's side, in the folder of their own practice: what they ask, what goes to the teacher, what comes from there.

teacher/              all of it, for its owner alone
teacher/bundle.key    this side's key; see `keys`
teacher/…jsonl        what the teacher set, remarked and answered, beside what was asked; nothing of it is the
                      pupil's own but the questions
teacher/models/       model takes, as sessions
"""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import asdict
from datetime import date
from pathlib import Path

from fingerlead.bundle.contents import REMARKS, PackedSession, packed_session, rows_in, text_of, those_that_fit
from fingerlead.bundle.exchange import (
    Exchange,
    Incoming,
    Outgoing,
    add_new,
    all_or_nothing,
    told_words,
    unpacked_sessions,
    words_for_pupil,
)
from fingerlead.bundle.keys import BundleError, OwnKey, own_key
from fingerlead.bundle.packing import GREATEST, MOST_SESSIONS, Bundle, pack, unpack
from fingerlead.store.files import make_private, why_not, write_new
from fingerlead.store.session_file import SessionError
from fingerlead.studio import homework, questions
from fingerlead.studio.pupils import taken_back, text, tidy

FOLDER, MODELS = "teacher", "models"
# Beside the sessions, for questions and the manifest.
ROOM = GREATEST - (1 << 24)


class PupilSide:
    """A pupil's bundles. `folder` is that of their sessions and progress."""

    def __init__(self, folder: Path) -> None:
        self.practice, self.folder = folder, folder / FOLDER
        self.exchange = Exchange(self.folder)

    def key(self) -> OwnKey:
        """This side's key, made where there is none; raises BundleError."""
        return own_key(self.folder)

    def ask(
        self, asked: str, day: date, piece: str = "", session: Path | None = None, at_us: int = 0, id: str = ""
    ) -> str:
        """Ask the teacher something; what is asked. Raises StudioError, SessionError, OSError."""
        digest = "" if session is None else packed_session(session).digest
        make_private(self.folder)
        return questions.ask(self.folder, questions.Question(id, "", asked, piece, digest, at_us), day).asked

    def make(self, day: date, name: str = "") -> Outgoing:
        """The next bundle for the teacher: the sessions that they have not yet, and all questions.

        `name` is what the pupil wants to be called in it: nothing else in it names them. Raises BundleError.
        """
        key = self.key()
        try:
            named = {path.name: packed for path, packed in self._sessions()}
            number, to = self.exchange.next_number(), self.exchange.other
            asked = questions.questions(self.folder)
            contents = {f"sessions/{packed.digest}.session": packed.data for packed in named.values()}
            contents["questions.jsonl"] = text_of(map(asdict, asked))
            data = pack(
                Bundle(
                    "for teacher", key.public, to, number, day.isoformat(), tidy(name), self.exchange.taken(), contents
                ),
                key,
            )
            self.exchange.note_made(number, day, {name: packed.digest for name, packed in named.items()})
        except OSError as error:
            raise BundleError(f"the bundle cannot be made: {why_not(error)}") from None
        new = len(questions.unanswered(self.folder))
        return Outgoing(data, number, told_words((len(named), "session"), (new, "question")))

    def _sessions(self) -> Iterator[tuple[Path, PackedSession]]:
        """The sessions that the teacher has not yet, the latest first, as many as go into a bundle."""
        sent = self.exchange.delivered()
        there = sorted((self.practice / "sessions").glob("*.session"), key=lambda path: path.name, reverse=True)
        return those_that_fit((path for path in there if path.name not in sent), sent.values(), MOST_SESSIONS, ROOM)

    def take_in(self, data: bytes, day: date, told: str = "") -> Incoming:
        """Take a bundle from the teacher in, whole or not at all; `told` are the words that they read out, once.

        Raises BundleError (StrangerError).
        """
        bundle, exchange = unpack(data), self.exchange
        exchange.check(bundle, self.key(), "from teacher", told, "your teacher")
        if before := exchange.taken_before(bundle):
            return before
        with unpacked_sessions(bundle) as models, all_or_nothing() as undo:
            rows, gone = rows_in(bundle.contents), taken_back(self.folder)
            # What was taken back stays so, though an older bundle comes later.
            rows[REMARKS] = [row for row in rows[REMARKS] if row.get("taken_back") or text(row, "id") not in gone]
            homework_new = add_new(self.folder / homework.FILE, rows[homework.FILE], undo)
            remarks_new = add_new(self.folder / REMARKS, rows[REMARKS], undo)
            answers_new = add_new(self.folder / questions.FILE, rows[questions.FILE], undo)
            models_new = [self._keep_model(path, undo) for path in models.values()]
            exchange.note_taken(bundle, day, undo)
        words = words_for_pupil(homework_new, remarks_new, len(answers_new), sum(models_new))
        return Incoming(f"Taken in: {words}.", True)

    def _keep_model(self, path: Path, undo: ExitStack) -> bool:
        make_private(self.folder / MODELS)
        kept = self.folder / MODELS / path.name
        if kept.exists():
            return False
        try:
            write_new(kept, packed_session(path).data)
        except SessionError as error:
            raise BundleError(f"a model take cannot be read: {error.reason}") from None
        undo.callback(kept.unlink, missing_ok=True)
        return True
