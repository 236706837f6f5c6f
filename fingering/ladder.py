"""The ladder: graded exercises, derived from the geometry of the changes.

At the bottom stands low G alone, held and sealed. Then come the pairs of notes: one-way changes of one hand by growing
difficulty, then one-way changes of both hands, then crossings, each group by growing difficulty. Each rung's music
mixes in rungs below it. How hard a change is depends on how far the fingers scatter, and the order of rungs with it.

A teacher's own ladder is a TOML file: the rungs from the bottom up. A rung needs only its `notes`; all else is derived
as it is for the ladder of the program:

    [[rung]]
    notes = ["low A", "B", "C"]      # a row of notes, gone through and back; one note alone is held
    key = "first-run"                # its name for machines
    name = "The first run"
    trains = "Three notes of the bottom hand."
    mix = ["low-a-b"]                # keys of rungs above it in the file, to be mixed into its music
    abc = '''...'''                  # music of your own
"""

import re
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from typing import Any

from fingering.moves import SCATTER_US, difficulty
from fingering.notes import LOW_G, NOTES, note_index
from fingering.rungs import GROUPS, Rung, group_of, make_rung, rung_key
from fingering.toml_file import FileError, TomlEntry, TomlFile, read_bytes, shortened

# Standard deviation of each finger's time. Assumed: no measurement on a chanter is known; for flautists delays within a
# change are "typically tens of ms" (Almeida and others, JASA 2009).
LEVELS: dict[str, int] = {"calm": 6_000, "usual": SCATTER_US, "shaky": 25_000}

KEYS = ("notes", "key", "name", "trains", "mix", "abc")
MOST_RUNGS = 500
MOST_NOTES = 32
ABC_LIMIT = 20_000  # characters
_KEY = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", re.ASCII)


@lru_cache(maxsize=8)
def ladder(scatter_us: int = SCATTER_US) -> tuple[Rung, ...]:
    """All 37 rungs from the bottom up: low G, then the 36 pairs of notes."""
    pairs = sorted(
        combinations(range(len(NOTES)), 2),
        # Rounded, as pairs with the same geometry differ in the last digit of a sum.
        key=lambda pair: (GROUPS.index(group_of(pair)), round(difficulty(pair[0], pair[1], scatter_us), 6), pair),
    )
    rungs: list[Rung] = []
    for notes in ((LOW_G,), *pairs):
        rungs.append(make_rung(notes, rungs, scatter_us))
    return tuple(rungs)


def places(key: str) -> dict[str, int]:
    """Where a rung stands on the ladder, counted from 1, at each level of scatter."""
    return {level: 1 + [rung.key for rung in ladder(scatter_us)].index(key) for level, scatter_us in LEVELS.items()}


def find_rung(rungs: Sequence[Rung], text: str, others: Iterable[Rung] = ()) -> Rung:
    """A rung by its key, its name or its number from the bottom; one of the `others` by its key or name.

    ValueError says what was expected.
    """
    wanted = "-".join(text.lower().replace("-", " ").split())
    number = text.strip()
    if number.isascii() and number.isdigit() and len(number) <= 4 and 0 < int(number) <= len(rungs):
        return rungs[int(number) - 1]
    for rung in (*rungs, *others):
        if wanted in (rung.key.lower(), "-".join(rung.name.lower().replace("-", " ").split())):
            return rung
    shown = text if len(text) <= 40 else text[:40] + "…"
    raise ValueError(
        f"expected the key of a rung (such as {rungs[-1].key}) or its number from 1 to {len(rungs)}; got {shown!r}"
    )


class LadderError(FileError):
    """A ladder that cannot be used: file, line, reason; its text is one sentence."""


def load_ladder(path: str | Path) -> tuple[Rung, ...]:
    """The rungs of a teacher's file from the bottom up; raises LadderError."""
    return read_ladder(read_bytes(path, LadderError), str(path))


def read_ladder(data: bytes, path: str) -> tuple[Rung, ...]:
    """The rungs in the bytes of a file; raises LadderError."""
    file = TomlFile(data, path, "rung", LadderError)
    file.head.expect_keys("rung", what="[[rung]] tables")
    if not file.entries:
        file.refuse(None, 'expected at least one rung: a line [[rung]], then for example notes = ["low A", "E"]')
    if len(file.entries) > MOST_RUNGS:
        file.refuse(None, f"expected at most {MOST_RUNGS} rungs; got {len(file.entries)}")
    rungs: list[Rung] = []
    for entry in file.entries:
        rungs.append(_rung(entry, rungs))
    return tuple(rungs)


def _rung(entry: TomlEntry, below: list[Rung]) -> Rung:
    entry.expect_keys(*KEYS)
    notes = _notes(entry)
    key = entry.text("key", rung_key(notes))
    if not _KEY.fullmatch(key):
        entry.refuse("key", f"expected a key of small letters, digits and hyphens, such as low-a-e; got {key!r}")
    known = [rung.key for rung in below]
    if key in known:
        entry.refuse("key", f"expected each rung's key once; {key!r} stands above already (give this one a key)")
    readers: dict[str, Callable[[], Any]] = {
        "name": lambda: entry.text("name"),
        "trains": lambda: entry.text("trains"),
        "mix": lambda: _mix(entry, known),
        "abc": lambda: _abc(entry),
    }
    return make_rung(notes, below, key=key, **{name: readers[name]() for name in readers if name in entry.values})


def _notes(entry: TomlEntry) -> tuple[int, ...]:
    if "notes" not in entry.values:
        entry.refuse(None, 'expected a rung with notes, such as notes = ["low A", "E"]; notes is missing')
    notes: list[int] = []
    for name in _texts(entry, "notes"):
        try:
            notes.append(note_index(name))
        except ValueError as bad:
            entry.refuse("notes", str(bad))
        if notes[-2:] == notes[-1:] * 2:
            entry.refuse("notes", f"expected neighbouring notes that differ; got {NOTES[notes[-1]]} twice in a row")
    if not 1 <= len(notes) <= MOST_NOTES:
        entry.refuse("notes", f"expected 1 to {MOST_NOTES} notes; got {len(notes)}")
    return tuple(notes)


def _texts(entry: TomlEntry, key: str) -> list[str]:
    value = entry.values[key]
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        entry.refuse(key, f'expected {key} to be a list of texts, such as ["low A", "E"]; got {shortened(value)}')
    return list(value)


def _mix(entry: TomlEntry, known: list[str]) -> list[str]:
    for key in _texts(entry, "mix"):
        if key not in known:
            entry.refuse("mix", f"expected keys of rungs that stand above this one; got {shortened(key)}")
    return list(dict.fromkeys(_texts(entry, "mix")))


def _abc(entry: TomlEntry) -> str:
    abc = entry.values["abc"]
    if not isinstance(abc, str) or not abc.strip() or len(abc) > ABC_LIMIT:
        entry.refuse("abc", f"expected abc to be music as text of at most {ABC_LIMIT} characters")
    abc = "\n".join(abc.strip().splitlines()) + "\n"
    if not all(line.replace("\t", " ").isprintable() for line in abc.split("\n")):
        entry.refuse("abc", "expected abc to be plain text; it holds characters that cannot be printed")
    return abc
