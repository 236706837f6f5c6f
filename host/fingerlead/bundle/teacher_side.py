"""A teacher's side, in a studio: what comes from pupils, and what goes to each of them."""

from contextlib import ExitStack, suppress
from dataclasses import asdict
from datetime import date
from pathlib import Path

from fingerlead.bundle.contents import (
    ANSWERS,
    REMARKS,
    packed_session,
    remark_rows,
    rows_in,
    text_of,
    those_that_fit,
)
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
from fingerlead.bundle.packing import Bundle, pack, unpack
from fingerlead.phrases import path_text
from fingerlead.store.files import make_private, why_not, write_new
from fingerlead.store.session_file import SessionError
from fingerlead.studio import homework, questions
from fingerlead.studio.studio import Studio

MODELS = "models"
# Model takes that go with one bundle, the latest first.
MOST_MODELS = 12
GREATEST_MODELS = 1 << 25


class TeacherSide:
    """A teacher's bundles with all pupils of a studio."""

    def __init__(self, studio: Studio) -> None:
        self.studio = studio

    def key(self) -> OwnKey:
        """This side's key, made where there is none; raises BundleError."""
        return own_key(self.studio.folder)

    def exchange(self, key: str) -> Exchange:
        """The bundles with one pupil; raises StudioError."""
        return Exchange(self.studio.of(key))

    def whose(self, public: str) -> str:
        """The key of the pupil who signs with a public key; empty where none does."""
        for pupil in self.studio.pupils():
            with suppress(BundleError):
                if self.exchange(pupil.key).other == public:
                    return pupil.key
        return ""

    def take_in(self, data: bytes, day: date, key: str = "", told: str = "") -> tuple[str, Incoming]:
        """Take a pupil's bundle in, whole or not at all; the pupil's key, and what came of it.

        `key` says whose it is, and `told` are the words that they read out: both once, for a sender who is not known.
        Raises BundleError (StrangerError), StudioError.
        """
        bundle = unpack(data)
        known = self.whose(bundle.sender)
        if known and key and known != key:
            raise BundleError(
                f"this bundle is not of this pupil: it is signed by {self.studio.pupil(known).name}. "
                "Take it in as theirs"
            )
        key = known or key
        if not key:
            Exchange(self.studio.folder).check(bundle, self.key(), "for teacher", told, "the pupil")
            raise BundleError("expected a pupil of this studio whose bundle this is. Say whose")
        exchange, pupil = self.exchange(key), self.studio.pupil(key)
        exchange.check(bundle, self.key(), "for teacher", told, pupil.name)
        if before := exchange.taken_before(bundle):
            return key, before
        with unpacked_sessions(bundle) as sessions, all_or_nothing() as undo:
            new = sum(self._take_session(key, path, undo) for path in sessions.values())
            rows = rows_in(bundle.contents)[questions.FILE]
            asked = add_new(self.studio.of(key) / questions.FILE, rows, undo)
            exchange.note_taken(bundle, day, undo)
        named = f" Its sender goes by {bundle.name}." if bundle.name else ""
        words = told_words((new, "session"), (len(asked), "question"))
        return key, Incoming(f"Taken in: {words}.{named}", True)

    def _take_session(self, key: str, path: Path, undo: ExitStack) -> bool:
        there = self.studio.index.has(path.stem)
        taken = self.studio.take_in(key, path)
        if taken.outcome == "refused":
            raise BundleError(f"nothing was taken in: {taken.sentence.removeprefix(f'{path}: ')}")
        if taken.outcome == "new" and there is None:
            undo.callback(self.studio.take_out, taken.digest)
        return taken.outcome == "new"

    def make(self, key: str, day: date) -> Outgoing:
        """The next bundle for a pupil: homework, remarks, answers, and the model takes that they have not yet.

        Nothing in it names the pupil, and no note is in it that the teacher keeps alone. Raises BundleError,
        StudioError.
        """
        folder, exchange, own = self.studio.of(key), self.exchange(key), self.key()
        to = exchange.other
        if not to:
            raise BundleError(
                f"nothing can be sent to {self.studio.pupil(key).name} yet: a bundle of theirs comes first, so that "
                "it is known whose key they have. Ask for one, and for the eight words that go with it"
            )
        try:
            models = self._models(folder / MODELS, set(exchange.delivered().values()))
            number = exchange.next_number()
            remarks = remark_rows(folder, {each.digest: each.day for each in self.studio.index.sessions(key)})
            given, answers = homework.lines(folder), questions.replies(folder)
            contents = {f"{MODELS}/{digest}.session": data for digest, data in models.items()}
            contents[homework.FILE] = text_of(given)
            contents[REMARKS], contents[ANSWERS] = text_of(remarks), text_of(map(asdict, answers))
            data = pack(
                Bundle("from teacher", own.public, to, number, day.isoformat(), "", exchange.taken(), contents), own
            )
            exchange.note_made(number, day, {digest: digest for digest in models})
        except OSError as error:
            raise BundleError(f"the bundle cannot be made: {why_not(error)}") from None
        return Outgoing(data, number, words_for_pupil(given, remarks, len(answers), len(models)))

    def add_model(self, key: str, path: Path) -> bool:
        """Keep a session as a model take, to go with the next bundle; whether it is new. Raises BundleError."""
        folder = self.studio.of(key) / MODELS
        try:
            packed = packed_session(path)
            make_private(folder)
            write_new(folder / f"{packed.digest}.session", packed.data)
        except FileExistsError:
            return False
        except SessionError as error:
            raise BundleError(f"{path_text(path)}: no model take: {error.reason}") from None
        except OSError as error:
            raise BundleError(f"{path_text(path)}: the model take cannot be kept: {why_not(error)}") from None
        return True

    def _models(self, folder: Path, there: set[str]) -> dict[str, bytes]:
        """The model takes that a pupil has not yet."""
        latest = sorted(folder.glob("*.session"), key=lambda path: path.stat().st_mtime, reverse=True)
        fresh = (path for path in latest if path.stem not in there)
        return {packed.digest: packed.data for _, packed in those_that_fit(fresh, there, MOST_MODELS, GREATEST_MODELS)}
