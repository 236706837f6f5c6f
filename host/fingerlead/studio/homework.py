"""Homework: the rungs and tunes that a teacher sets, each with its day, until when, and a line to go with it.

`homework.jsonl` in a pupil's folder only grows. What it says hangs on the days in its lines and not on their order, so
that two copies are put together by having the lines of both:
    {"id": "0f3a…", "day": "2026-11-12", "pieces": ["low-a-c"], "due": "2026-11-19", "note": "slowly"}
    {"off": ["0f3a…"], "piece": "low-a-c"}
A piece is a rung or an easy tune by its key. It stands from the day on which it is set until it is taken off. Lines
without an id, {"day", "rungs", "tunes", "note"}, are of older files, where the last one alone stands.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from pathlib import Path

from fingerlead.store.files import append_line, objects_in
from fingerlead.studio.pupils import (
    LONGEST_REMARK,
    StudioError,
    day_text,
    id_of,
    is_key,
    keys,
    known_day,
    new_key,
    refuse_longer,
    text,
    texts,
    tidy,
)

FILE = "homework.jsonl"
# Further ahead it is a slip of the year.
LONGEST_AHEAD = timedelta(days=366)
# Of one line.
MOST_IDS = 1_000


@dataclass(frozen=True, slots=True)
class Homework:
    """What was set at once: the keys of its pieces; `day` and `due` are ISO days, `due` empty where none was named."""

    id: str
    day: str
    pieces: tuple[str, ...]
    due: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Piece:
    """One rung or tune, by its key, of some homework."""

    key: str
    of: Homework


def give(folder: Path, pieces: Iterable[str], day: date, due: str = "", note: str = "") -> Homework:
    """Set homework beside what stands already; raises StudioError, OSError."""
    homework = checked(pieces, day, due, note)
    keep(folder, homework)
    return homework


def keep(folder: Path, homework: Homework) -> None:
    """Write homework down as it is, once: sent again because no answer came, it is there already. Raises OSError."""
    there = [each for each in all_set(folder) if each.id == homework.id]
    if homework not in there:
        append_line(folder / FILE, asdict(replace(homework, id=new_key()) if there else homework))


def checked(pieces: Iterable[str], day: date, due: str = "", note: str = "", id: str = "") -> Homework:
    """Homework as it may be set, by an id that is drawn unless one is given; raises StudioError."""
    named, line, until = keys(pieces), tidy(note, lines=True), day_text(due)
    if not named:
        raise StudioError("expected at least one rung or tune as homework. Choose one")
    refuse_longer(line, LONGEST_REMARK, "a line")
    if until and not day.isoformat() <= until <= (day + LONGEST_AHEAD).isoformat():
        raise StudioError(f"expected a day for the homework from today to a year on; got {until}. Choose another")
    return Homework(id if is_key(id) else new_key(), day.isoformat(), named, until, line)


def all_set(folder: Path) -> list[Homework]:
    """All that was set, the latest first, also what was taken off since; raises OSError."""
    return _latest_first(_read(row) for row in objects_in(folder / FILE) if "off" not in row)


def lines(folder: Path) -> list[dict[str, object]]:
    """All that was set and taken off, as the lines say it that are written today; raises OSError."""
    rows = objects_in(folder / FILE)
    older = [row for row in rows if "off" not in row and not is_key(text(row, "id"))]
    # Of older lines the last alone stands.
    told = [asdict(each) for row in rows if "off" not in row and row not in older[:-1] and (each := _read(row)).pieces]
    off = [{"off": list(texts(row, "off")[:MOST_IDS]), "piece": text(row, "piece")} for row in rows if "off" in row]
    return [*told, *off]


def pieces(folder: Path) -> tuple[list[Piece], list[Piece]]:
    """The pieces that stand, and those that were taken off, the latest first; raises OSError.

    Of one that was set twice the later homework counts.
    """
    rows = objects_in(folder / FILE)
    off = {(id, text(row, "piece")) for row in rows for id in texts(row, "off")}
    older = [row for row in rows if "off" not in row and not is_key(text(row, "id"))]
    newer = [row for row in rows if "off" not in row and is_key(text(row, "id"))]
    stand: dict[str, Piece] = {}
    gone: dict[str, Piece] = {}
    for each in _latest_first(map(_read, (*older[-1:], *newer))):
        for key in each.pieces:
            (gone if (each.id, key) in off else stand).setdefault(key, Piece(key, each))
    return list(stand.values()), [piece for key, piece in gone.items() if key not in stand]


def take_off(folder: Path, key: str) -> None:
    """Take a piece off, from whatever homework it stands in; raises StudioError, OSError."""
    if key not in {piece.key for piece in pieces(folder)[0]}:
        raise StudioError("expected a piece of homework that stands; this one was taken off already")
    mine = [each.id for each in all_set(folder) if key in each.pieces]
    for start in range(0, len(mine), MOST_IDS):
        append_line(folder / FILE, {"off": mine[start : start + MOST_IDS], "piece": key})


def put_back(folder: Path, key: str) -> None:
    """Set a piece that was taken off once more, as it was; raises StudioError, OSError."""
    gone = next((piece.of for piece in pieces(folder)[1] if piece.key == key), None)
    if gone is None:
        raise StudioError("expected a piece of homework that was taken off; this one stands, or was never set")
    append_line(folder / FILE, asdict(replace(gone, id=new_key(), pieces=(key,))))


def _latest_first(found: Iterable[Homework]) -> list[Homework]:
    # Of one day, the line that was written last is the latest.
    return sorted(found, key=lambda each: each.day)[::-1]


def _read(row: Mapping[str, object]) -> Homework:
    """What a line says that sets homework; nothing in it is taken on trust."""
    id = text(row, "id")
    named = keys((*texts(row, "pieces"), *texts(row, "rungs"), *texts(row, "tunes")))
    note = tidy(text(row, "note"), lines=True)[:LONGEST_REMARK]
    return Homework(id if is_key(id) else id_of(row), known_day(row, "day"), named, known_day(row, "due"), note)
