"""The studio: pupils, their sessions, and what was practised; everything stays in one folder on this machine.

What is true is in the pupils' folders. The index says the same in numbers; when the studio opens it is brought up to
date with the folders, so that whatever was cut off (a crash, a full disk, another program) loses nothing and doubles
nothing. A session is taken in by its content: written anew by this program, so that nothing of a stranger's file but
its bytes of playing comes in, and named by their digest, so that the same session twice is one.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import time
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from fingerlead.store.session_file import SessionError, remove_session
from fingerlead.store.session_reading import read_session
from fingerlead.studio import pupils as folders
from fingerlead.studio.index import DIGEST_LETTERS, NAME, Index, digest_of, reading, refusal, write_anew
from fingerlead.studio.pupils import Hand, Pupil, StudioError

# --- Sessions that lie in a pupil's folder and are not taken in yet: a turn or a sitting that is over, or was cut off.

# What can be wrong with one of them, and must not keep the others away.
FAILURES = (SessionError, StudioError, OSError, sqlite3.Error)


def bring_home(studio: Studio, key: str, folder: Path) -> int:
    """Take in what lies in a folder, and remove it there; how many sessions were new.

    What another program has open stays, and so does what is refused.
    """
    new = 0
    for path in sorted(folder.glob("*.session")):
        with contextlib.suppress(*FAILURES):
            if _at_rest(path):
                taken = studio.take_in(key, path)
                new += taken.outcome == "new"
                if taken.outcome != "refused":
                    remove_session(path)
    return new


def _at_rest(path: Path) -> bool:
    """Whether no program has the session open: only then does SQLite bring it into one single file."""
    with contextlib.closing(sqlite3.connect(path, timeout=0)) as db:
        return bool(db.execute("PRAGMA journal_mode = DELETE").fetchone() == ("delete",))


# ---

ENDING = ".session"
GREATEST_TAKEN_IN = 1 << 28
# Sessions entered in one transaction.
BATCH = 100
LEFT_BEHIND_S = 3_600


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of a file: `new`, `same` (it was there already, with the pupil `whose`), or `refused` and why."""

    path: Path
    outcome: Literal["new", "same", "refused"]
    digest: str = ""
    whose: str = ""
    sentence: str = ""


class Studio:
    """A studio in a folder, made where there is none; `with` closes it. Raises StudioError."""

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        try:
            (self.folder / "pupils").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StudioError(f"{self.folder}: no studio can be kept here: {error.strerror or error}") from None
        self.index = Index(self.folder)
        try:
            self.catch_up()
        except (sqlite3.Error, OSError) as error:
            self.index.close()
            why = (
                f"{self.folder}: this studio cannot be read: {error.strerror or error}"
                if isinstance(error, OSError)
                else refusal(self.index.path, error)
            )
            raise StudioError(why) from None

    def close(self) -> None:
        """Let go of the folder."""
        self.index.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Pupils

    def pupils(self) -> list[Pupil]:
        """All pupils by name; a folder that cannot be read shows up with its key as its name."""
        found = [_pupil(folder) for folder in self._folders()]
        return sorted(found, key=lambda pupil: (pupil.name.casefold(), pupil.key))

    def pupil(self, key: str) -> Pupil:
        """One pupil, shown as in `pupils` where the folder cannot be read: a name written anew mends it."""
        return _pupil(self.of(key))

    def of(self, key: str) -> Path:
        """A pupil's folder; refuses what is no pupil's key."""
        folder = self.folder / "pupils" / key
        if not folders.is_key(key) or folder.is_symlink() or not folder.is_dir():
            raise StudioError(f"expected a pupil of this studio; there is none with the key {key[:20]!r}")
        return folder

    def add(self, name: str, hand_on_top: Hand = "left", chanter: str = "", note: str = "") -> Pupil:
        """A new pupil."""
        pupil = folders.checked(Pupil(folders.new_key(), name, hand_on_top, chanter, note))
        folder = self.folder / "pupils" / pupil.key
        (folder / "sessions").mkdir(parents=True)
        folders.write_pupil(folder, pupil)
        return pupil

    def change(self, key: str, **to: str) -> Pupil:
        """Change a pupil's name, hand_on_top, chanter, note or lesson."""
        pupil = folders.checked(replace(self.pupil(key), **to))  # type: ignore[arg-type]
        folders.write_pupil(self.of(key), pupil)
        return pupil

    def export(self, key: str, path: Path) -> Path:
        """Everything that is kept of a pupil, as one zip file."""
        folder = self.of(key)
        try:
            with zipfile.ZipFile(path, "x", zipfile.ZIP_DEFLATED, strict_timestamps=False) as bundle:
                for file in sorted(folder.rglob("*")):
                    # What a link points at is not the pupil's.
                    if file.is_file() and not file.is_symlink() and not file.name.startswith("."):
                        bundle.write(file, file.relative_to(folder))
        except FileExistsError:
            raise StudioError(f"{path}: expected the name of a new file, but this one exists") from None
        except (OSError, UnicodeEncodeError) as error:
            path.unlink(missing_ok=True)
            why = error.strerror if isinstance(error, OSError) else "a file in the folder has a name that is no text"
            raise StudioError(f"{path}: it cannot be written: {why}") from None
        return path

    def delete(self, key: str) -> None:
        """Delete a pupil whole: their folder, and every row of theirs. Nothing brings it back."""
        folder = self.of(key)
        # Out of sight at once, whatever happens next; the name is the first to go.
        gone = self.folder / f".deleting-{key}"
        folder.replace(gone)
        (gone / "pupil.json").unlink(missing_ok=True)
        self.index.drop_pupil(key)
        shutil.rmtree(gone)

    # Sessions

    def take_in(self, key: str, path: Path | str) -> TakenIn:
        """Take a session file in for a pupil, as from a stranger."""
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
            if (whose := self.index.has(digest)) is None:
                new.unlink(missing_ok=True)
                write_anew(new, session)
                new.chmod(0o444)
                # What is entered is what was written: read back before it counts.
                sitting, tallies = reading(key, digest, new)
                with self.index.writing():
                    if (whose := self.index.has(digest)) is None:
                        new.replace(sessions / f"{digest}{ENDING}")
                        self.index.put(sitting, tallies)
                        return TakenIn(path, "new", digest, key)
        except (SessionError, OSError, sqlite3.Error) as error:
            return _refused(path, f"it cannot be kept: {error}. Make room, and take it in again")
        finally:
            remove_session(new)
        return TakenIn(path, "same", digest, whose, f"{path}: this session is in the studio already")

    def session_path(self, digest: str) -> Path:
        """Where a session of this studio lies."""
        whose = self.index.has(digest)
        if whose is None:
            raise StudioError(f"expected a session of this studio; there is none {digest[:20]!r}")
        return self.of(whose) / "sessions" / f"{digest}{ENDING}"

    def catch_up(self) -> int:
        """Enter what lies in the folders and not in the index, and drop what does not; how many were entered."""
        for half in self.folder.glob(".deleting-*"):
            self.index.drop_pupil(half.name.removeprefix(".deleting-"))
            shutil.rmtree(half, ignore_errors=True)
        known = self.index.known()
        lying: dict[str, tuple[str, Path]] = {}
        for folder in self._folders():
            _sweep(folder)
            for file in _sessions(folder):
                digest = file.name.removesuffix(ENDING)
                # One session lies in one folder only; where somebody copied it, the folder that is known goes before.
                if digest not in lying or (folder.name, digest) in known:
                    lying[digest] = folder.name, file
        here = {(key, digest) for digest, (key, _) in lying.items()}
        with self.index.writing():
            for _, digest in known - here:
                self.index.drop(digest)
        new = sorted(here - known)
        for start in range(0, len(new), BATCH):
            rows = [reading(key, digest, lying[digest][1]) for key, digest in new[start : start + BATCH]]
            with self.index.writing():
                for sitting, tallies in rows:
                    self.index.put(sitting, tallies)
        return len(new)

    def rebuild(self) -> int:
        """Make the index anew from the sessions; how many there are."""
        self.index.close()
        forget_index(self.folder)
        self.index = Index(self.folder)
        return self.catch_up()

    def _folders(self) -> list[Path]:
        lying = (self.folder / "pupils").iterdir()
        found = sorted(each for each in lying if folders.is_key(each.name) and each.is_dir() and not each.is_symlink())
        # A folder without a pupil or a session was begun and never finished.
        return [folder for folder in found if (folder / "pupil.json").exists() or _sessions(folder)]


def forget_index(folder: Path) -> None:
    """Remove a studio's index, which may be damaged: it is made anew when the studio opens. Raises StudioError."""
    if not (folder / "pupils").is_dir():
        raise StudioError(f"{folder}: expected a studio, with a folder of pupils; there is none")
    try:
        for ending in ("", "-wal", "-shm"):
            (folder / (NAME + ending)).unlink(missing_ok=True)
    except OSError as error:
        raise StudioError(f"{folder}: the index cannot be made anew: {error.strerror or error}") from None


def _pupil(folder: Path) -> Pupil:
    try:
        return folders.read_pupil(folder)
    except StudioError as error:
        return Pupil(folder.name, f"({folder.name})", note=str(error))


def _sessions(folder: Path) -> list[Path]:
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return [Path(entry.path) for entry in os.scandir(folder / "sessions") if _is_session(entry)]
    return []


def _sweep(folder: Path) -> None:
    """Remove what a taking in that was killed has left; what another program may be writing now is younger."""
    with contextlib.suppress(OSError):
        for entry in os.scandir(folder / "sessions"):
            if entry.name.startswith(".") and time.time() - entry.stat().st_mtime > LEFT_BEHIND_S:
                os.unlink(entry.path)


def _is_session(entry: os.DirEntry[str]) -> bool:
    """A file named by a digest: a session that was taken in. A link is none, and no other name is."""
    digest = entry.name.removesuffix(ENDING)
    named = entry.name.endswith(ENDING) and len(digest) == DIGEST_LETTERS and not set(digest) - set("0123456789abcdef")
    return named and entry.is_file(follow_symlinks=False)


def _refused(path: Path, why: str) -> TakenIn:
    return TakenIn(path, "refused", sentence=f"{path}: {why}")
