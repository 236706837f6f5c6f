"""What one side keeps of its bundles with another: whose key is known, what went out, what came in.

In a folder of its own with each pupil, and in `teacher` of a learner's own:
    bundle.json    the other's public key, once the words were compared
    bundles.jsonl  {"made": 3, "day": "2026-11-12", "sessions": {NAME: DIGEST}} of each bundle that went out, and
                   {"taken": ID, "number": 5, "day": "2026-11-13", "theirs": [1, 2]} of each that came in; `theirs` are
                   the numbers of ours that the other had taken in by then; {"forgotten": true, "day": …} where the
                   other has a new key, from which on all is sent anew
"""

import contextlib
import json
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fingerlead.bundle.keys import KEY, BundleError, OwnKey, is_told
from fingerlead.bundle.packing import Bundle, Kind
from fingerlead.phrases import counted, day_words, listed, path_text
from fingerlead.store.files import add_lines, append_line, cut_back, make_private, objects_in, why_not, write_whole
from fingerlead.store.session_file import SessionError
from fingerlead.store.session_reading import read_session
from fingerlead.studio.conflicts import BUNDLES
from fingerlead.studio.index import digest_of
from fingerlead.studio.pupils import text

OTHER = "bundle.json"
SCHEMA = "fingerlead-exchange-1"
GREATEST_OTHER = 1 << 12
Row = Mapping[str, object]
SIDES: Mapping[Kind, tuple[str, str]] = {
    "for teacher": ("a pupil", "a teacher"),
    "from teacher": ("a teacher", "a pupil"),
}
FILES: Mapping[Kind, str] = {
    "for teacher": "for-my-teacher-{}.fingerlead",
    "from teacher": "from-my-teacher-{}.fingerlead",
}


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A bundle that was made: its file, its number, and in a few words what is in it."""

    data: bytes
    number: int
    words: str


@dataclass(frozen=True, slots=True)
class Incoming:
    """A bundle that was taken in: in one sentence what came of it, and whether anything was `new`."""

    sentence: str
    new: bool


class StrangerError(BundleError):
    """A bundle whose sender is not known yet: the words have to be compared first."""


class Exchange:
    """The bundles between this side and another, kept in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._rows = folder, folder / BUNDLES

    @property
    def other(self) -> str:
        """The other's public key; empty where it is not known yet. Raises BundleError."""
        path = self.folder / OTHER
        try:
            if not path.exists():
                return ""
            # A pipe would keep its reader waiting for ever.
            found = json.loads(path.read_bytes() if path.is_file() and path.stat().st_size <= GREATEST_OTHER else b"")
            key = text(found, "key") if isinstance(found, dict) else ""
        except OSError as error:
            raise BundleError(f"{path_text(path)}: it cannot be read: {error.strerror or error}") from None
        except (ValueError, RecursionError):
            key = ""
        if not KEY.fullmatch(key):
            raise BundleError(
                f"{path_text(path)}: expected the key of the other side; this file is damaged. Remove it, and compare "
                "words anew"
            )
        return key

    def know(self, public: str, undo: ExitStack) -> None:
        """Know the other by its key from now on, where it is not known yet; raises OSError, BundleError."""
        if not self.other:
            make_private(self.folder)
            write_whole(self.folder / OTHER, json.dumps({"schema": SCHEMA, "key": public}).encode())
            undo.callback((self.folder / OTHER).unlink, missing_ok=True)

    def forget(self, day: date) -> None:
        """Know the other's key no more: the next bundle needs the words of the new one, and all is sent anew.

        Raises OSError.
        """
        make_private(self.folder)
        (self.folder / OTHER).unlink(missing_ok=True)
        append_line(self._rows, {"forgotten": True, "day": day.isoformat()})

    def check(self, bundle: Bundle, own: OwnKey, kind: Kind, told: str, whose: str) -> None:
        """Raise BundleError where a bundle is not from the other side of this exchange, of a kind, for this side.

        `told` are words or a key as the sender read them out, empty where none were; `whose` names the other.
        """
        if bundle.sender == own.public:
            raise BundleError("this bundle was made here: it goes to the other side, which takes it in")
        if bundle.kind != kind:
            comes, goes = SIDES[bundle.kind]
            raise BundleError(f"this bundle goes from {comes} to {goes}; here one is taken in that goes the other way")
        if bundle.to not in ("", own.public) or (not bundle.to and kind == "from teacher"):
            raise BundleError("this bundle is meant for another: ask its sender for the one that was made for you")
        if self.other not in ("", bundle.sender):
            raise BundleError(
                f"this bundle is signed by another key than that of {whose}, and was not taken in. If they have a new "
                "computer, forget the old key (fingerlead bundle forget), and compare words anew"
            )
        if not self.other and not told:
            raise StrangerError(
                f"this bundle is signed by a key that is not known here yet. Ask {whose}, in a call or face to "
                "face, to read out their eight words (fingerlead bundle words), and take it in with these words"
            )
        if told and not is_told(bundle.sender, told):
            raise BundleError(
                f"these are not the words of the key that signed this bundle: it may not be from {whose}. Have the "
                "words read out again, in a call; if they still differ, do not take it in"
            )

    def taken_before(self, bundle: Bundle) -> Incoming | None:
        """What is said of a bundle that was taken in before; None where it never was."""
        for row in self._read("taken"):
            if row["taken"] == bundle.id:
                day = day_words(text(row, "day"))
                return Incoming(f"This bundle was taken in already, on {day}; nothing is changed.", False)
        return None

    def taken(self) -> tuple[int, ...]:
        """The numbers of the other's bundles that were taken in."""
        return tuple(sorted({number for row in self._read("taken") if type(number := row.get("number")) is int}))

    def delivered(self) -> dict[str, str]:
        """The digests of the sessions that the other has, by the names they went out under."""
        lists = (row.get("theirs") for row in self._read("taken"))
        there = {number for each in lists if isinstance(each, list) for number in each if type(number) is int}
        found: dict[str, str] = {}
        for row in self._read("made"):
            sessions = row.get("sessions")
            if row["made"] in there and isinstance(sessions, dict):
                found.update({name: digest for name, digest in sessions.items() if isinstance(digest, str)})
        return found

    def next_number(self) -> int:
        """The number of the next bundle that goes out."""
        # Also of those before the other was forgotten: a number that was used once may be told of still.
        return 1 + max((number for row in self._all() if type(number := row.get("made")) is int), default=0)

    def next_file(self, kind: Kind) -> str:
        """What the file of the next bundle that goes out is called."""
        return FILES[kind].format(self.next_number())

    def note_made(self, number: int, day: date, sessions: Mapping[str, str]) -> None:
        """Write down what went out; raises OSError."""
        make_private(self.folder)
        append_line(self._rows, {"made": number, "day": day.isoformat(), "sessions": dict(sessions)})

    def note_taken(self, bundle: Bundle, day: date, undo: ExitStack) -> None:
        """Know who sent what came in from now on, and write it down; raises OSError, BundleError."""
        # What is written last has all before it, wherever the program is cut off.
        self.know(bundle.sender, undo)
        row = {"taken": bundle.id, "number": bundle.number, "day": day.isoformat(), "theirs": list(bundle.taken)}
        add_new(self._rows, [row], undo)

    def _read(self, kind: str) -> list[dict[str, object]]:
        """The rows of a kind since the other was forgotten last, if ever."""
        rows = self._all()
        since = max((place for place, row in enumerate(rows, 1) if "forgotten" in row), default=0)
        return [row for row in rows[since:] if kind in row]

    def _all(self) -> list[dict[str, object]]:
        with contextlib.suppress(OSError):
            return objects_in(self._rows)
        return []


def add_new(path: Path, rows: Iterable[Row], undo: ExitStack) -> list[Row]:
    """Add the rows that a file has not, to be taken back by `undo`; which they are. Raises OSError."""
    there = {_line(row) for row in objects_in(path)}
    new = {line: row for row in rows if (line := _line(row)) not in there}
    if new:
        make_private(path.parent)
        before = path.stat().st_size if path.exists() else 0
        add_lines(path, list(new))
        undo.callback(cut_back, path, path.stat().st_size, before)
    return list(new.values())


def told_words(*counts: tuple[int, str]) -> str:
    """`2 sessions and 1 question`; nothing new, where there is nothing."""
    return listed([counted(count, what) for count, what in counts if count]) or "nothing new"


def words_for_pupil(homework: Iterable[Row], remarks: Iterable[Row], answers: int, models: int) -> str:
    """What goes from a teacher to a pupil, counted; of homework and remarks only what stands."""
    return told_words(
        (sum("off" not in row for row in homework), "sheet of homework"),
        (sum("text" in row for row in remarks), "remark"),
        (answers, "answer"),
        (models, "model take"),
    )


@contextlib.contextmanager
def all_or_nothing() -> Iterator[ExitStack]:
    """What is written in the block, each with its way back, stays whole, or goes; raises BundleError for OSError."""
    with ExitStack() as undo:
        try:
            yield undo
        except OSError as error:
            raise BundleError(f"nothing was taken in: {why_not(error)}. Make room, and take it in again") from None
        undo.pop_all()


@contextlib.contextmanager
def unpacked_sessions(bundle: Bundle) -> Iterator[dict[str, Path]]:
    """The sessions of a bundle as files in a folder that goes away, each read and found to be what its name says.

    Raises BundleError.
    """
    with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        files = {}
        for digest, data in bundle.sessions().items():
            path = files[digest] = Path(scratch) / f"{digest}.session"
            write_whole(path, data)
            try:
                there = digest_of(read_session(path))
            except SessionError as error:
                raise BundleError(
                    f"a session in this bundle cannot be read: {error.reason}. Nothing was taken in"
                ) from None
            if there != digest:
                raise BundleError("a session in this bundle is another than its name says. Nothing was taken in")
        yield files


def _line(row: Row) -> bytes:
    return json.dumps(row, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
