"""Copies that a program which keeps two machines' folders alike leaves where both changed a file: found, and merged.

Each such program names them in its own way, so that a copy is told by what is in it, whatever it is called. Files that
only grow get the lines that the copy has and they have not. Of who a pupil is, what differs is a question for the
teacher; what is the same is none. No copy goes before all of it stands in the file that stays, and one that was written
a moment ago, or that holds anything else, is left alone. To merge once more changes nothing.
"""

import contextlib
import hashlib
import os
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from fingerlead.store import practice_log
from fingerlead.store.files import LineError, add_lines, object_in, objects_in, read_lines
from fingerlead.studio import homework, lessons, questions
from fingerlead.studio.pupils import (
    GREATEST_PUPIL_FILE,
    Pupil,
    StudioError,
    is_key,
    keep_damaged,
    pupil_in,
    read_pupil,
    text,
    write_pupil,
)
from fingerlead.studio.saves import fields_of

REMARKS, LOG = "remarks.jsonl", f"practice/{practice_log.FILE}"
BUNDLES = "bundles.jsonl"
GROWING = (REMARKS, homework.FILE, lessons.FILE, questions.FILE, BUNDLES, LOG)
OWN = {"pupil.json", *(name.rpartition("/")[2] for name in GROWING)}
# What was written less than so long ago may be half written.
RESTS_S = 2.0
GONE = "the other version has changed since, or has gone. Load the page anew, and choose again"


@dataclass(frozen=True, slots=True)
class Copy:
    """Another version of who a pupil is: the name of its file, a digest of what is in it, and what it says."""

    name: str
    digest: str
    pupil: Pupil


def merge_copies(folder: Path, now_s: float | None = None) -> list[Copy]:
    """Merge the copies in a pupil's folder, and give those that are a question. `now_s` is the time, as files have it.

    What cannot be read or written just now is left for the next time. One program at a time may do this.
    """
    now_s = time.time() if now_s is None else now_s
    for path in _at_rest(folder, now_s):
        with contextlib.suppress(OSError, LineError):
            _merge_growing(folder, path)
    found = [copy for path in _at_rest(folder, now_s) if (copy := _copy_of(folder, path))]
    with contextlib.suppress(OSError):
        found = _adopt(folder, found)
    return found


def settle(folder: Path, name: str, digest: str) -> None:
    """Remove a copy whose question is answered, if it is still the one that was shown; raises StudioError, OSError."""
    path = folder / name
    if path.parent != folder or path.is_symlink() or not path.is_file() or _digest(path.read_bytes()) != digest:
        raise StudioError(GONE)
    path.unlink()


def _at_rest(folder: Path, now_s: float) -> Iterator[Path]:
    """The files that are none of the folder's own, and were not written just now."""
    for place in (folder, folder / "practice"):
        with contextlib.suppress(OSError):
            for entry in sorted(os.scandir(place), key=lambda entry: entry.name):
                other = (
                    entry.name not in OWN and not entry.name.startswith(".") and entry.is_file(follow_symlinks=False)
                )
                if other and abs(now_s - entry.stat(follow_symlinks=False).st_mtime) > RESTS_S:
                    yield Path(entry.path)


def _merge_growing(folder: Path, path: Path) -> None:
    """Add what a copy of a file that grows has and the file has not, then remove the copy."""
    lines = _lines(path)
    own = _kind(lines, folder)
    if own is None:
        return
    stay = Counter(_lines(folder / own))
    missing = []
    for line in lines:
        if stay[line]:
            stay[line] -= 1
        else:
            missing.append(line)
    if missing and missing[-1] is lines[-1] and any(other.startswith(missing[-1]) for other in stay):
        # A copy that was cut off ends within a line that stands.
        missing.pop()
    add_lines(folder / own, missing)
    _remove(path, lines)


def _remove(path: Path, lines: list[bytes]) -> None:
    """Remove a copy that still says what was merged."""
    if _lines(path) == lines:
        path.unlink()


def _lines(path: Path) -> list[bytes]:
    """The lines of a file; none where there is no file. Raises OSError, LineError."""
    return [line.rstrip(b"\r\n") for _, line in read_lines(path)]


def _kind(lines: list[bytes], folder: Path) -> str | None:
    """Which file the lines are of; None where they are of none, or of several."""
    kinds: set[str] = set()
    unsure: set[str] = set()
    for line in lines:
        with contextlib.suppress(LineError):
            row = object_in(line)
            if row.get("taken_back") is True and is_key(text(row, "id")):
                unsure.add(text(row, "id"))
            else:
                kinds.add(_kind_of(row))
    if not kinds and unsure:
        kinds = {own for own in (REMARKS, lessons.FILE) if unsure & _ids(folder / own)}
    return kinds.pop() or None if len(kinds) == 1 else None


def _kind_of(row: Mapping[str, object]) -> str:
    """Which file a line is of; empty where it is of none."""
    if row.get("schema") == practice_log.SCHEMA:
        return LOG
    if {"id", "session", "at_us", "text"} <= row.keys():
        return REMARKS
    if {"id", "day", "note", "instead_of"} <= row.keys():
        return lessons.FILE
    if {"id", "asked"} <= row.keys() or {"id", "answers", "text"} <= row.keys():
        return questions.FILE
    if {"made", "sessions"} <= row.keys() or {"taken", "number"} <= row.keys() or "forgotten" in row:
        return BUNDLES
    if {"off", "piece"} <= row.keys() or {"day", "pieces"} <= row.keys() or {"day", "rungs", "tunes"} <= row.keys():
        return homework.FILE
    return ""


def _ids(path: Path) -> set[str]:
    return {text(row, "id") for row in objects_in(path)}


def _copy_of(folder: Path, path: Path) -> Copy | None:
    """What a file says of who the pupil of this folder is; None where it does not."""
    with contextlib.suppress(OSError, StudioError):
        if path.parent == folder and path.stat().st_size <= GREATEST_PUPIL_FILE:
            data = path.read_bytes()
            return Copy(path.name, _digest(data), pupil_in(path, data, folder.name, must_name=True))
    return None


def _adopt(folder: Path, found: list[Copy]) -> list[Copy]:
    """The copies that are a question; one that says nothing new goes, one stands in for a file that cannot be read."""
    try:
        stored = read_pupil(folder)
    except StudioError as error:
        if not found:
            return []
        stored = max(found, key=lambda copy: (folder / copy.name).stat().st_mtime).pupil
        keep_damaged(folder, replace(stored, problem=str(error)))
        write_pupil(folder, stored)
    asked = []
    for copy in found:
        if copy.pupil.lesson not in ("", stored.lesson):
            # The one lesson that older files know is a line of the history.
            lessons.add_day(folder, copy.pupil.lesson)
        if fields_of(copy.pupil) == fields_of(stored):
            with contextlib.suppress(StudioError):
                settle(folder, copy.name, copy.digest)
        else:
            asked.append(copy)
    return asked


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
