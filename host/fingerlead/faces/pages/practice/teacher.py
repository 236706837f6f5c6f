"""What a teacher's studio has for a pupil who practises on this machine, and the way home for what was played."""

from pathlib import Path
from typing import Any

from fingerlead.faces.words import clock_text, practised_names
from fingerlead.studio import pupils
from fingerlead.studio import studio as studios
from fingerlead.studio.pupils import Homework, Pupil, StudioError
from fingerlead.studio.studio import Studio

# Within the pupil's own folder: progress, and sessions until they are taken in.
PRACTICE = "practice"
MOST_REMARKS = 12


def pupil_named(studio: Studio, name: str) -> Pupil:
    """The pupil with a name, however it is written, or with a key; raises StudioError."""
    there = studio.pupils()
    found = [pupil for pupil in there if pupil.key == name or pupil.name.casefold() == name.strip().casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        raise StudioError(f"two pupils are called {name}; name one by its key: {', '.join(p.key for p in found)}")
    names = ", ".join(pupil.name for pupil in there[:20]) or "no pupils yet"
    raise StudioError(f"expected a pupil of this studio; there is no {name}. There are: {names}")


def from_teacher(studio: Studio, key: str) -> dict[str, Any]:
    """The latest homework and the remarks, the newest first, as the practice page shows them."""
    folder = studio.of(key)
    given = next(iter(pupils.homework(folder)), Homework(""))
    names = practised_names()
    days = {session.digest: session.day for session in studio.index.sessions(key)}
    remarks = sorted(pupils.remarks(folder), key=lambda remark: (remark.day, remark.at_us), reverse=True)
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
    """Where the pupil's progress is kept, and sessions until they are taken in."""
    return studio.of(key) / PRACTICE


def bring_home(studio: Studio, key: str) -> int:
    """Take in what was played, also what a crash has left; how many sessions were new."""
    return studios.bring_home(studio, key, practice_folder(studio, key) / "sessions")
