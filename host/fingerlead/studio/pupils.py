"""A pupil's folder: who they are, what the teacher wrote, and their sessions.

    pupils/KEY/pupil.json      name, hand on top, chanter, the teacher's note
    pupils/KEY/remarks.jsonl   remarks pinned to a moment of a session
    pupils/KEY/lessons.jsonl   the days of lessons, and a note on each: see `lessons`
    pupils/KEY/homework.jsonl  rungs and tunes that were set: see `homework`
    pupils/KEY/questions.jsonl what was asked and answered: see `questions`
    pupils/KEY/bundle*, models what goes to and fro as bundles: see `fingerlead.bundle.exchange`
    pupils/KEY/sessions/DIGEST.session

KEY is drawn by lot, so that no file name tells a name; the index holds no name at all. A name or nickname will do.
"""

import hashlib
import json
import secrets
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Literal

from fingerlead.store.files import append_line, objects_in, refused_whole, write_whole

Hand = Literal["left", "right"]
WRITTEN = (
    "sessions", "turns", "remarks.jsonl", "lessons.jsonl", "homework.jsonl", "questions.jsonl", "bundles.jsonl",
    "bundle.json", "models", "practice", "practice/sessions", "practice/practised.jsonl"
)  # fmt: skip
LONGEST_NAME = 80
LONGEST_NOTE = 4_000
LONGEST_REMARK = 1_000
GREATEST_PUPIL_FILE = 1 << 16
LONGEST_KEY = 64
MOST_KEYS = 100
GREATEST_US = 1 << 53
# So far before and after it a lesson's day still has days around it.
FIRST_DAY, LAST_DAY = "1900-01-01", "9000-01-01"
SCHEMA = "fingerlead-pupil-1"


class StudioError(ValueError):
    """What cannot be done in a studio; one plain sentence."""


@dataclass(frozen=True, slots=True)
class Pupil:
    """One pupil. `lesson` is the day of the last lesson, ISO; empty before the first. The history is in `lessons`.

    `lesson_before` is the day of the one before it, and `problem` says why the file that tells it cannot be read: they
    are never written.
    """

    key: str
    name: str
    hand_on_top: Hand = "left"
    chanter: str = ""
    note: str = ""
    lesson: str = ""
    lesson_before: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Remark:
    """The teacher's words on a moment of a session, `at_us` on the session's clock."""

    id: str
    session: str
    at_us: int
    text: str
    day: str


def new_key() -> str:
    """A key for a new pupil."""
    return secrets.token_hex(6)


def id_of(row: Mapping[str, object]) -> str:
    """A key for a line that has none of its own: the same wherever the line is read."""
    return hashlib.sha256(json.dumps(row, sort_keys=True).encode()).hexdigest()[: len(new_key())]


def unread_files(folder: Path) -> list[str]:
    """What to say of the files of a pupil's folder of which nothing is read: what is in them is not shown."""
    names = [name for name in WRITTEN if name.endswith(".jsonl")]
    why = {name: refused_whole(folder / name) for name in names}
    return [
        f"{name}: {told}. Nothing of it is lost; to see what is in it, move it out of {folder}, and put files of some "
        f"of its lines there one after the other, under this name"
        for name, told in why.items()
        if told
    ]


def is_key(text: str) -> bool:
    """Whether a text can be a pupil's key, and so the name of a folder."""
    return len(text) == 12 and all(letter in "0123456789abcdef" for letter in text)


def checked(pupil: Pupil) -> Pupil:
    """The pupil with its texts tidied, fit to be written; raises StudioError."""
    tidied = _tidied_pupil(pupil)
    for what, words, most in (("chanter", tidied.chanter, LONGEST_NAME), ("note", tidied.note, LONGEST_NOTE)):
        refuse_longer(words, most, f"a {what}")
    return tidied


def _tidied_pupil(pupil: Pupil) -> Pupil:
    name = tidy(pupil.name)
    if not name:
        raise StudioError("expected a name or a nickname; it is empty. Write one")
    refuse_longer(name, LONGEST_NAME, "a name")
    if pupil.hand_on_top not in ("left", "right"):
        raise StudioError(f"expected left or right as the hand on top; got {pupil.hand_on_top!r}")
    if not is_key(pupil.key):
        raise StudioError("expected a pupil's key of twelve digits and letters a to f")
    return replace(
        pupil,
        name=name,
        chanter=tidy(pupil.chanter),
        note=tidy(pupil.note, lines=True),
        lesson=day_text(pupil.lesson),
        lesson_before="",
        problem="",
    )


def refuse_longer(words: str, most: int, what: str) -> None:
    """Raise StudioError for a text longer than `most`: to cut it short would lose the rest."""
    if len(words) > most:
        raise StudioError(f"expected {what} of at most {most} letters; this one has {len(words)}. Shorten it")


def tidy(text: str, lines: bool = False) -> str:
    """Without letters that steer a terminal or a page, or cannot be written down; white space made single."""
    # Of plain letters alone nothing goes: most texts are, and a history of years is read for each page.
    is_plain = text.isascii() and text.replace("\n", "").isprintable()
    kept = (
        text
        if is_plain
        else "".join(
            letter if letter.isprintable() or (lines and letter == "\n") else " "
            for letter in unicodedata.normalize("NFC", text)
            if unicodedata.category(letter) not in ("Cf", "Cs")
        )
    )
    if lines:
        return "\n".join(" ".join(line.split()) for line in kept.splitlines()).strip()
    return " ".join(kept.split())


def day_text(text: str) -> str:
    """A day as ISO, or nothing; raises StudioError."""
    if not text:
        return ""
    try:
        day = date.fromisoformat(text).isoformat()
    except ValueError:
        raise StudioError(f"expected a day like 2026-03-21; got {text[:20]!r}") from None
    if not FIRST_DAY <= day < LAST_DAY:
        raise StudioError(f"expected a day like 2026-03-21; {day} is too far away. Look at its year")
    return day


def write_pupil(folder: Path, pupil: Pupil) -> None:
    """Write who a pupil is, whole or not at all; raises OSError."""
    content = {"schema": SCHEMA, **asdict(pupil)}
    del content["lesson_before"], content["problem"]
    write_whole(folder / "pupil.json", json.dumps(content, ensure_ascii=False, indent=1).encode())


def keep_damaged(folder: Path, stored: Pupil) -> None:
    """Keep what cannot be read of a pupil's file beside it, before the file is written anew. Raises OSError."""
    path = folder / "pupil.json"
    if stored.problem and path.is_file() and 0 < path.stat().st_size <= GREATEST_PUPIL_FILE:
        data = path.read_bytes()
        name = f"pupil-damaged-{hashlib.sha256(data).hexdigest()[:12]}.json"
        write_whole(folder / name, data)


def read_pupil(folder: Path) -> Pupil:
    """Who the pupil of a folder is; raises StudioError."""
    path = folder / "pupil.json"
    try:
        # A pipe would keep its reader waiting for ever.
        if (path.exists() and not path.is_file()) or path.stat().st_size > GREATEST_PUPIL_FILE:
            raise StudioError(f"{path}: expected a pupil's file of a few lines; this is something else")
        data = path.read_bytes()
    except OSError as error:
        raise StudioError(f"{path}: it cannot be read: {error.strerror or error}") from None
    return pupil_in(path, data, folder.name)


def pupil_in(path: Path, data: bytes, key: str, must_name: bool = False) -> Pupil:
    """Who the pupil of a key is, as the bytes of a file say, which must name the key where it `must_name` it.

    Raises StudioError.
    """
    try:
        content = json.loads(data)
    except (ValueError, RecursionError):
        raise StudioError(f"{path}: expected JSON; this file is damaged. Write the pupil's name anew") from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise StudioError(f"{path}: expected a pupil of a studio (schema {SCHEMA}); this is something else")
    if must_name and content.get("key") != key:
        raise StudioError(f"{path}: expected the pupil {key}; this is another")
    return _tidied_pupil(
        Pupil(
            key,
            text(content, "name"),
            hand_on_top="right" if content.get("hand_on_top") == "right" else "left",
            chanter=text(content, "chanter"),
            note=text(content, "note"),
            lesson=text(content, "lesson"),
        )
    )


def text(content: Mapping[str, object], key: str) -> str:
    """A text of an object read from a file, without letters that cannot be written down; empty where there is none."""
    value = content.get(key)
    return _writable(value) if isinstance(value, str) else ""


def texts(content: Mapping[str, object], key: str) -> tuple[str, ...]:
    """A list of texts of an object read from a file, as `text` has them; what is none is left out."""
    value = content.get(key)
    return tuple(_writable(each) for each in value if isinstance(each, str)) if isinstance(value, list) else ()


def _writable(text: str) -> str:
    # JSON can spell half a letter, which no file can hold.
    return text if text.isascii() else text.encode("utf-8", "ignore").decode("utf-8")


def keys(words: Iterable[str]) -> tuple[str, ...]:
    """Keys of rungs and tunes, from a file that is not trusted: each once, tidied, not too long, not too many."""
    return tuple(dict.fromkeys(key for word in words if (key := tidy(word)[:LONGEST_KEY])))[:MOST_KEYS]


def add_remark(folder: Path, session: str, at_us: int, words: str, day: date, id: str = "") -> Remark:
    """Pin a remark to a moment; raises StudioError.

    `id` names it where it is sent once more because no answer came: what stands there already is not pinned twice.
    """
    words = tidy(words, lines=True)
    if not words:
        raise StudioError("expected a remark; it is empty. Write one")
    refuse_longer(words, LONGEST_REMARK, "a remark")
    if not 0 <= at_us <= GREATEST_US:
        raise StudioError("expected the moment of a remark within its session")
    named = {remark.id: remark for remark in remarks(folder)} if id else {}
    if id in named and (named[id].session, named[id].text) == (session, words):
        return named[id]
    remark = Remark(id if is_key(id) and id not in named else new_key(), session, int(at_us), words, day.isoformat())
    append_line(folder / "remarks.jsonl", asdict(remark))
    return remark


def take_back(folder: Path, id: str) -> None:
    """Take a remark back."""
    if id not in {remark.id for remark in remarks(folder)}:
        raise StudioError("expected a remark that stands; this one was taken back already")
    append_line(folder / "remarks.jsonl", {"id": id, "taken_back": True})


def remarks(folder: Path) -> list[Remark]:
    """The remarks that stand, in order of session and moment."""
    standing: dict[str, Remark] = {}
    for row in objects_in(folder / "remarks.jsonl"):
        id, at_us = text(row, "id"), row.get("at_us")
        if row.get("taken_back") is True:
            standing.pop(id, None)
        elif type(at_us) is int and 0 <= at_us <= GREATEST_US and is_key(id) and text(row, "text"):
            words = tidy(text(row, "text"), lines=True)[:LONGEST_REMARK]
            standing[id] = Remark(id, text(row, "session"), at_us, words, known_day(row, "day"))
    return sorted(standing.values(), key=lambda each: (each.session, each.at_us, each.id))


def taken_back(folder: Path) -> set[str]:
    """The ids of the remarks that were taken back."""
    rows = objects_in(folder / "remarks.jsonl")
    return {id for row in rows if row.get("taken_back") is True and is_key(id := text(row, "id"))}


def played_days(folder: Path) -> dict[str, str]:
    """The days on which the sessions of remarks were played, where a bundle has said them beside the remark."""
    rows = objects_in(folder / "remarks.jsonl")
    return {session: day for row in rows if (session := text(row, "session")) and (day := known_day(row, "played"))}


def known_day(row: Mapping[str, object], key: str) -> str:
    """The day that a line says; none where it is no day."""
    try:
        return day_text(text(row, key))
    except StudioError:
        return ""
