"""What a teacher's studio has for a pupil who practises on this machine, and the way home for what was played."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from host.faces.words import clock_text, practised_names
from host.store.studio import left
from host.store.studio import pupils as folders
from host.store.studio.pupils import Pupil, StudioError

if TYPE_CHECKING:
    from host.store.studio.studio import Studio

# Within the pupil's own folder: progress, and sittings until they are taken in.
PRACTICE = "practice"
MOST_REMARKS = 12


def pupil_named(studio: Studio, name: str) -> Pupil:
    """The pupil with a name, however it is written, or with a key; raises StudioError."""
    there = studio.pupils()
    found = [pupil for pupil in there if name in (pupil.key,) or pupil.name.casefold() == name.strip().casefold()]
    if len(found) == 1:
        return found[0]
    names = ", ".join(pupil.name for pupil in there[:20]) or "nobody yet"
    if found:
        raise StudioError(f"two pupils are called {name}; name one by its key: {', '.join(p.key for p in found)}")
    raise StudioError(f"expected a pupil of this studio; there is no {name}. There are: {names}")


def from_teacher(studio: Studio, key: str) -> dict[str, Any]:
    """The latest homework and the remarks, the newest first, as the practice page shows them."""
    folder = studio.of(key)
    given = next(iter(folders.homework(folder)), folders.Homework(""))
    names = practised_names()
    days = {sitting.digest: sitting.day for sitting in studio.index.sittings(key)}
    remarks = sorted(folders.remarks(folder), key=lambda remark: (remark.day, remark.at_us), reverse=True)
    return {
        "day": given.day,
        "note": given.note,
        "items": [{"key": each, "name": names[each]} for each in (*given.rungs, *given.tunes) if each in names],
        "remarks": [
            {"day": days.get(each.session, ""), "at": clock_text(each.at_us), "text": each.text}
            for each in remarks[:MOST_REMARKS]
        ],
    }


def practice_folder(studio: Studio, key: str) -> Path:
    """Where the pupil's progress is kept, and sittings until they are taken in."""
    return studio.of(key) / PRACTICE


def bring_home(studio: Studio, key: str) -> int:
    """Take in what was played, also what a sitting cut off before has left; how many sessions were new."""
    return left.bring_home(studio, key, practice_folder(studio, key) / "sessions")
