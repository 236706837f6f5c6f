"""What goes into a bundle: rows that both sides can put together, and sessions that say no more than playing."""

import json
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from fingerlead.bundle.keys import BundleError
from fingerlead.bundle.packing import GREATEST_TEXT
from fingerlead.store.files import write_whole
from fingerlead.store.session_reading import OWN_NAME, read_session
from fingerlead.studio import homework, pupils, questions
from fingerlead.studio.folder_states import FAILURES, is_at_rest
from fingerlead.studio.index import digest_of, write_anew

# In place of a file's name.
MOVEMENTS = "movements that came with it"
REMARKS, ANSWERS = "remarks.jsonl", "answers.jsonl"


@dataclass(frozen=True, slots=True)
class PackedSession:
    """A session as it travels."""

    digest: str
    data: bytes


def packed_session(path: Path) -> PackedSession:
    """A session's playing and music, without what it says of this machine: names of ports and files, and causes.

    Raises SessionError, OSError.
    """
    session = read_session(path)
    meta = {**session.meta, "port": ""}
    if OWN_NAME in meta:
        meta[OWN_NAME] = MOVEMENTS
    plain = replace(session, meta=meta, marks=[replace(mark, cause="") for mark in session.marks])
    with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        written = Path(scratch) / "one.session"
        write_anew(written, plain)
        return PackedSession(digest_of(session), written.read_bytes())


def those_that_fit(
    paths: Iterable[Path], there: Iterable[str], most: int, room: int
) -> Iterator[tuple[Path, PackedSession]]:
    """Of sessions in their order those that go into a bundle: so many, and bytes, at most; none that is `there`."""
    seen = set(there)
    for path in paths:
        if path.is_symlink() or most == 0:
            continue
        # One that cannot be read or is being played is no reason to keep the others back.
        with suppress(*FAILURES):
            if not is_at_rest(path):
                continue
            packed = packed_session(path)
            if packed.digest in seen or len(packed.data) > room:
                continue
            seen.add(packed.digest)
            most, room = most - 1, room - len(packed.data)
            yield path, packed


def text_of(rows: Iterable[Mapping[str, object]]) -> bytes:
    """Rows as the text of a bundle; raises BundleError where they are too long for it."""
    data = b"".join(json.dumps(row, ensure_ascii=False, sort_keys=True).encode() + b"\n" for row in rows)
    if len(data) > GREATEST_TEXT:
        raise BundleError(f"expected texts of at most {GREATEST_TEXT >> 20} MiB in a bundle; got {len(data) >> 20}")
    return data


def remark_rows(folder: Path, played: Mapping[str, str]) -> list[dict[str, object]]:
    """The remarks of a pupil, each with the day on which its session was played, and those that were taken back."""
    stand = pupils.remarks(folder)
    back = sorted(pupils.taken_back(folder))
    return [
        *({**asdict(each), "played": played.get(each.session, "")} for each in stand),
        *({"id": id, "taken_back": True} for id in back),
    ]


def rows_in(contents: Mapping[str, bytes]) -> dict[str, list[dict[str, object]]]:
    """The rows of the texts of a bundle, by the file that they belong into: only what this program reads."""
    with tempfile.TemporaryDirectory(prefix="fingerlead-") as scratch:
        folder = Path(scratch)
        for name in (REMARKS, homework.FILE, questions.FILE):
            write_whole(folder / name, contents.get(name, b""))
        asked = [asdict(each) for each in questions.questions(folder)]
        write_whole(folder / questions.FILE, contents.get(ANSWERS, b""))
        answered = [asdict(each) for each in questions.replies(folder)]
        played = pupils.played_days(folder)
        return {
            REMARKS: remark_rows(folder, played),
            homework.FILE: homework.lines(folder),
            questions.FILE: [*asked, *answered],
        }
