"""The studio: pupils, their sessions, and what was practised; everything stays in one folder on this machine.

The pupils' folders are the truth. The index says the same in numbers; when the studio opens it is brought up to date
with the folders, so that a crash, a full disk or another program loses nothing and doubles nothing. A session is taken
in by its content: written anew by this program, so that nothing of a foreign file but its bytes of playing comes in,
and named by their digest, so that the same session twice is one.
"""

import contextlib
import io
import os
import shutil
import sqlite3
import zipfile
from collections.abc import Callable, Iterable, Mapping, Set
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from fingerlead.store.files import FINISHED, close_to_others, make_private, own_private, sync_folder
from fingerlead.store.session_file import SessionError, remove_session
from fingerlead.store.session_reading import read_session
from fingerlead.studio import pupils as folders
from fingerlead.studio.conflicts import GONE, Copy, merge_copies, settle
from fingerlead.studio.folder_states import (
    ENDING,
    FAILURES,
    SESSION,
    entries_of,
    is_at_rest,
    is_busy,
    is_whole,
    rests,
    session_names,
    stamp_of,
    sweep,
)
from fingerlead.studio.index import Index, digest_of, reading, write_anew
from fingerlead.studio.index_file import NAME, refusal
from fingerlead.studio.lessons import last_days
from fingerlead.studio.pupils import Hand, Pupil, StudioError
from fingerlead.studio.saves import StaleError, fields_of, merge, write_fields

GREATEST_TAKEN_IN = 1 << 28
# Sessions entered in one transaction.
BATCH = 100


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of a file: `new`, `same` (it was there already), or `refused` and why."""

    outcome: Literal["new", "same", "refused"]
    digest: str = ""
    sentence: str = ""


class Studio(contextlib.AbstractContextManager["Studio"]):
    """A studio in a folder, made where there is none; `with` closes it. Raises StudioError.

    `say_read` hears how many sessions are in the index by now, and of how many that have to be read: of thousands it
    takes minutes.
    """

    def __init__(self, folder: Path | str, say_read: Callable[[int, int], None] = lambda done, of: None) -> None:
        self.folder, self._say_read = Path(folder), say_read
        _refuse_links(self.folder, ("pupils", NAME), "a studio's")
        try:
            own_private(self.folder / "pupils")
        except OSError as error:
            raise StudioError(f"{self.folder}: no studio can be kept here: {error.strerror or error}") from None
        self.index = Index(self.folder)
        # Of each pupil's folder: what it looked like when it was looked into last.
        self._seen: dict[str, tuple[object, ...]] = {}
        try:
            self.catch_up()
        except (sqlite3.Error, OSError) as error:
            self.index.close()
            if isinstance(error, sqlite3.Error):
                raise StudioError(refusal(self.index.path, error)) from None
            raise StudioError(f"{self.folder}: this studio cannot be read: {error.strerror or error}") from None

    def close(self) -> None:
        """Let go of the folder."""
        self.index.close()

    def __exit__(self, *_: object) -> None:
        self.close()

    def pupils(self) -> list[Pupil]:
        """All pupils by name; a folder that cannot be read shows up with its key as its name."""
        return sorted(map(_with_lesson, self._folders()), key=lambda pupil: (pupil.name.casefold(), pupil.key))

    def pupil(self, key: str) -> Pupil:
        """One pupil, shown as in `pupils` where the folder cannot be read: a name written anew mends it."""
        return _with_lesson(self.of(key))

    def of(self, key: str) -> Path:
        """A pupil's folder; raises StudioError for what is no pupil's key."""
        folder = self.folder / "pupils" / key
        if not folders.is_key(key) or folder.is_symlink() or not folder.is_dir():
            raise StudioError(f"expected a pupil of this studio; there is none with the key {key[:20]!r}")
        _refuse_links(folder, folders.WRITTEN, "a pupil's")
        return folder

    def add(self, name: str, hand_on_top: Hand = "left", chanter: str = "", note: str = "") -> Pupil:
        """A new pupil."""
        pupil = folders.checked(Pupil(folders.new_key(), name, hand_on_top, chanter, note))
        folder = self.folder / "pupils" / pupil.key
        make_private(folder / "sessions")
        folders.write_pupil(folder, pupil)
        return pupil

    def change(self, key: str, was: Mapping[str, str] | None = None, **to: str) -> Pupil:
        """Change a pupil's name, hand_on_top, chanter or note, or the one `lesson` that `pupil.json` knows.

        `was` is what the fields held when they were shown to the person who changed them: what another has changed
        since then stays, and raises StaleError where both have changed it. Of two programs, one waits for the other.
        """
        with self.index.writing():
            folder = self.of(key)
            stored = _pupil(folder)
            if was is not None and not stored.problem:
                merged = merge(was, to, fields_of(stored))
                if merged.clashes:
                    raise StaleError(merged, {"was": write_fields(merged.stored)})
                to = merged.fields
            pupil = folders.checked(replace(stored, **to))  # type: ignore[arg-type]
            folders.keep_damaged(folder, stored)
            folders.write_pupil(folder, pupil)
        return pupil

    def export(self, key: str) -> bytes:
        """Everything that is kept of a pupil, as one zip file."""
        folder, packed = self.of(key), io.BytesIO()
        try:
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, strict_timestamps=False) as bundle:
                for file in sorted(folder.rglob("*")):
                    # What a link points at is not the pupil's.
                    if file.is_file() and not file.is_symlink() and not file.name.startswith("."):
                        bundle.write(file, file.relative_to(folder))
        except (OSError, UnicodeEncodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "a file in the folder has a name that is no text"
            raise StudioError(f"{folder}: it cannot be packed: {why}") from None
        return packed.getvalue()

    def delete(self, key: str) -> None:
        """Delete a pupil whole: their folder, and every row of theirs. Nothing brings it back."""
        folder = self.of(key)
        # Out of sight at once, also if the rest fails; the name is the first to go.
        gone = self.folder / f".deleting-{key}"
        folder.replace(gone)
        (gone / "pupil.json").unlink(missing_ok=True)
        self.index.drop_pupil(key)
        shutil.rmtree(gone)

    def take_in(self, key: str, path: Path | str) -> TakenIn:
        """Take a session file in for a pupil; nothing in it is trusted.

        One that is there already is taken in once more where it has brought its music since.
        """
        path, sessions = Path(path), self.of(key) / "sessions"
        try:
            if path.stat().st_size > GREATEST_TAKEN_IN:
                return _refused(path, f"expected a session of at most {GREATEST_TAKEN_IN >> 20} MiB; this is larger")
            session = read_session(path)
        except SessionError as error:
            return _refused(path, error.reason)
        except OSError as error:
            return _refused(path, f"it cannot be read: {error.strerror or error}")
        digest = digest_of(session)
        new = sessions / f".{digest}-{os.getpid()}"
        try:
            whose = self.index.has(digest)
            if whose is None or (whose == key and session.asked and not read_session(self.session_path(digest)).asked):
                new.unlink(missing_ok=True)
                write_anew(new, session)
                close_to_others(new, FINISHED)
                # What is entered is what was written: read back before it counts.
                row, of = reading(key, digest, new)
                with self.index.writing():
                    if self.index.has(digest) == whose:
                        new.replace(sessions / f"{digest}{ENDING}")
                        sync_folder(sessions)
                        self.index.put(row, *of)
                        return TakenIn("new", digest)
        except (SessionError, OSError, sqlite3.Error) as error:
            return _refused(path, f"it cannot be kept: {error}. Make room, and take it in again")
        finally:
            remove_session(new)
        return TakenIn("same", digest, f"{path}: this session is in the studio already")

    def take_out(self, digest: str) -> None:
        """Take a session out again that was taken in a moment ago, with others that could not be."""
        path = self.session_path(digest)
        with self.index.writing():
            self.index.drop(digest)
            remove_session(path)

    def session_path(self, digest: str) -> Path:
        """The file of a session of this studio."""
        whose = self.index.has(digest)
        if whose is None:
            raise StudioError(f"expected a session of this studio; there is none {digest[:20]!r}")
        return self.of(whose) / "sessions" / f"{digest}{ENDING}"

    def catch_up(self) -> int:
        """Enter what is in the folders and not in the index, and drop what is not; how many were entered."""
        for half in self.folder.glob(".deleting-*"):
            self.index.drop_pupil(half.name.removeprefix(".deleting-"))
            shutil.rmtree(half, ignore_errors=True)
        self._seen.clear()
        return self.look()

    def look(self) -> int:
        """Catch up with the folders that another program has changed since the last look; how many were entered.

        Copies that a program which keeps folders alike has left are merged, as far as they are no question.
        """
        self._write_again()
        there = {folder.name: folder for folder in self._own_folders()}
        damaged = self.index.damaged()
        stamps = {key: stamp_of(folder, damaged) for key, folder in there.items()}
        changed = [there[key] for key, stamp in stamps.items() if self._seen.get(key) != stamp]
        gone = self._seen.keys() - there.keys()
        first = not self._seen
        for folder in changed:
            with contextlib.suppress(StudioError):
                self._merge(folder)
        entered = self._enter(changed, None if first else gone, damaged)
        damaged = self.index.damaged()
        # Where something was written just now, a copy may not have been at rest.
        self._seen = stamps | {folder.name: () if is_busy(folder) else stamp_of(folder, damaged) for folder in changed}
        return entered

    def _write_again(self) -> None:
        """Take up the index in the folder, where that can be written to again."""
        if self.index.trouble:
            anew = Index(self.folder)
            if anew.trouble:
                anew.close()
            else:
                self.index.close()
                self.index = anew
                self._seen.clear()

    @property
    def trouble(self) -> str:
        """Why the studio can be looked at and not written to; empty where it can."""
        return self.index.trouble and (
            f"{self.folder}: this studio cannot be written to: {self.index.trouble}. All of it can be looked at; what "
            "is typed stays in the browser until there is room"
        )

    def copies(self, key: str) -> list[Copy]:
        """Other versions of who a pupil is, as a program which keeps folders alike has left them: a question each."""
        with self.index.writing():
            return merge_copies(self.of(key))

    def settle(self, key: str, copy: tuple[str, str], was: Mapping[str, str], **to: str) -> None:
        """Keep what was chosen of a pupil and of a copy, named by its file and digest, then remove the copy."""
        name, digest = copy
        if not any((each.name, each.digest) == copy for each in self.copies(key)):
            raise StudioError(GONE)
        self.change(key, was, **to)
        settle(self.of(key), name, digest)

    def astray(self) -> list[str]:
        """What to say of folders that hold a pupil under another name than the key: they are not shown."""
        found = []
        for folder in sorted((self.folder / "pupils").iterdir()):
            file = folder / "pupil.json"
            if not folders.is_key(folder.name) and not folder.is_symlink() and file.is_file():
                with contextlib.suppress(StudioError, OSError):
                    if file.stat().st_size <= folders.GREATEST_PUPIL_FILE:
                        found.append(_astray_words(folder))
        return found

    def _merge(self, folder: Path) -> None:
        _refuse_links(folder, folders.WRITTEN, "a pupil's")
        sweep(folder)
        with self.index.writing():
            merge_copies(folder)
        for entry in entries_of(folder):
            path = Path(entry.path)
            if not SESSION.fullmatch(entry.name) and not entry.name.startswith(".") and rests(path):
                self._take_copy(folder, path)

    def _take_copy(self, folder: Path, path: Path) -> None:
        """Take a copy of a session in, or a session that was put into the folder, and remove it once it is kept."""
        try:
            digest = digest_of(read_session(path))
        except FAILURES:
            return
        kept = folder / "sessions" / f"{digest}{ENDING}"
        with contextlib.suppress(*FAILURES):
            if self.index.has(digest) == folder.name and not is_whole(kept, digest):
                with self.index.writing():
                    self.index.drop(digest)
            taken = self.take_in(folder.name, path)
            if taken.outcome != "refused" and is_whole(self.session_path(digest), digest):
                remove_session(path)

    def _enter(self, changed: Iterable[Path], gone: Set[str] | None, damaged: Set[tuple[str, str]]) -> int:
        """Enter the sessions of folders that changed, and drop what is gone. `gone` are whole folders; None: of all.

        What could not be read is read once more.
        """
        changed = list(changed)
        known = self.index.known()
        whose = {digest: key for key, digest in known if folders.is_key(str(key))}
        keys = {folder.name for folder in changed}
        there: dict[str, str] = {}
        for key in sorted(keys):
            for name in session_names(self.folder / "pupils" / key):
                digest = name.removesuffix(ENDING)
                # One session is in one folder only; of one that was copied, the folder that is known counts.
                owner = whose.get(digest, key)
                kept = owner == key or not self._file_of(owner, digest).is_file()
                if kept and (digest not in there or (key, digest) in known):
                    there[digest] = key
        here = {(key, digest) for digest, key in there.items()}
        with self.index.writing():
            for key, digest in known - here:
                if gone is None or key in keys | gone:
                    self.index.drop(digest)
        new = sorted(here - (known - damaged))
        for start in range(0, len(new), BATCH):
            self._say_read(start, len(new))
            rows = [reading(key, digest, self._file_of(key, digest)) for key, digest in new[start : start + BATCH]]
            with self.index.writing():
                for row, of in rows:
                    self.index.put(row, *of)
        return len(new)

    def _file_of(self, key: str, digest: str) -> Path:
        return self.folder / "pupils" / key / "sessions" / f"{digest}{ENDING}"

    def _own_folders(self) -> list[Path]:
        there = sorted((self.folder / "pupils").iterdir())
        return [each for each in there if folders.is_key(each.name) and each.is_dir() and not each.is_symlink()]

    def _folders(self) -> list[Path]:
        # A folder without a pupil or a session was begun and never finished.
        return [each for each in self._own_folders() if (each / "pupil.json").exists() or session_names(each)]


def forget_index(folder: Path) -> None:
    """Remove a studio's index, which may be damaged: it is made anew when the studio opens. Raises StudioError."""
    if not (folder / "pupils").is_dir():
        raise StudioError(f"{folder}: expected a studio, with a folder of pupils; there is none")
    try:
        for ending in ("", "-wal", "-shm", "-journal"):
            (folder / (NAME + ending)).unlink(missing_ok=True)
    except OSError as error:
        raise StudioError(f"{folder}: the index cannot be made anew: {error.strerror or error}") from None


def _refuse_links(folder: Path, names: Iterable[str], whose: str) -> None:
    """Raise StudioError where one of these is a link: where it leads, nothing is written to, given rights or swept."""
    links = [name for name in names if (folder / name).is_symlink()]
    if links:
        raise StudioError(f"{folder}: expected {whose} own files; {links[0]} is a link. Move it away")


def _pupil(folder: Path) -> Pupil:
    try:
        return folders.read_pupil(folder)
    except StudioError as error:
        return Pupil(folder.name, f"({folder.name})", problem=str(error))


def _with_lesson(folder: Path) -> Pupil:
    """A pupil with the last lessons of their history."""
    pupil = _pupil(folder)
    with contextlib.suppress(OSError):
        last, before = last_days(folder, pupil.lesson)
        pupil = replace(pupil, lesson=last, lesson_before=before)
    return pupil


def _astray_words(folder: Path) -> str:
    pupil = folders.pupil_in(folder, (folder / "pupil.json").read_bytes(), folders.new_key())
    return f"{folder}: a folder of the pupil {pupil.name} under another name. It is not shown; give it its name back"


def _refused(path: Path, why: str) -> TakenIn:
    return TakenIn("refused", sentence=f"{path}: {why}")


def bring_home(studio: Studio, key: str, folder: Path) -> int:
    """Take in sessions that are over from a folder, and remove them there; how many were new.

    What another program has open stays, and so does what is refused.
    """
    new = 0
    if folder.is_symlink():
        # What is there belongs to another folder.
        return new
    for path in sorted(folder.glob("*.session")):
        with contextlib.suppress(*FAILURES):
            if not path.is_symlink() and is_at_rest(path):
                taken = studio.take_in(key, path)
                new += taken.outcome == "new"
                if taken.outcome != "refused":
                    remove_session(path)
    return new
