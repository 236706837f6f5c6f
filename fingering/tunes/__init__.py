"""The program's own tunes, written for it: plain ones, and some with embellishments.

What makes a tune playable (its changes, its embellishments) is read from its music, not written beside it. Each tune
keeps to the ABC of `melody_in`: notes, lengths, grace notes, bar lines and repeats.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from fingering.movements import forms_between
from fingering.notes import ABC_LETTERS

_TITLE = re.compile(r"^T:\s*(.+?)\s*$", re.MULTILINE)
_HEAD = re.compile(r"^([A-Za-z]:|%).*$", re.MULTILINE)
_NOTE = re.compile(r"(?:\{([GABcdefga]+)\})?([GABcdefga])")

Graced = tuple[tuple[int, ...], int]


@dataclass(frozen=True, slots=True)
class EasyTune:
    """One tune: its key, its title, its music as ABC.

    `melody` has each note with the grace notes before it; `changes` are those between neighbouring notes, `movements`
    the names of the embellishments.
    """

    key: str
    title: str
    abc: str
    melody: tuple[Graced, ...]
    changes: frozenset[tuple[int, int]]
    movements: tuple[str, ...]


@lru_cache(maxsize=1)
def easy_tunes() -> tuple[EasyTune, ...]:
    """The tunes, easiest first."""
    from importlib.resources import files

    tunes = []
    for file in files("fingering.tunes").iterdir():
        if file.name.endswith(".abc"):
            abc = file.read_text(encoding="utf-8")
            title = _TITLE.search(abc)
            if title is None:
                raise ValueError(f"{file.name}: expected a title")
            melody = melody_in(abc)
            tunes.append(EasyTune(file.name.removesuffix(".abc"), title[1], abc, melody, *_asked(melody)))
    return tuple(sorted(tunes, key=lambda tune: int(tune.abc.split("\n", 1)[0].removeprefix("X:"))))


def melody_in(abc: str) -> tuple[Graced, ...]:
    """The notes of a tune in the order of writing, each with the grace notes before it."""
    found = _NOTE.findall(_HEAD.sub("", abc))
    return tuple((tuple(map(ABC_LETTERS.index, graces)), ABC_LETTERS.index(note)) for graces, note in found)


class Embellished(NamedTuple):
    """An embellishment as it is written between two melody notes, and its name."""

    movement: str
    from_note: int
    graces: tuple[int, ...]
    to_note: int


def embellished(abc: str, movements: Sequence[str]) -> tuple[Embellished, ...]:
    """The embellishments in some music of the program's own that have one of these names, each once for its note."""
    found: dict[tuple[tuple[int, ...], int], Embellished] = {}
    for (_, before), (graces, note) in pairwise(melody_in(abc)):
        form = forms_between(before, note).get(graces)
        if form is not None and form.movement.name in movements:
            found.setdefault((graces, note), Embellished(form.movement.name, before, graces, note))
    return tuple(found.values())


def _asked(melody: Sequence[Graced]) -> tuple[frozenset[tuple[int, int]], tuple[str, ...]]:
    pairs = [(before, note, graces) for (_, before), (graces, note) in pairwise(melody)]
    named = (forms_between(before, note).get(graces) for before, note, graces in pairs if graces)
    changes = frozenset((before, note) for before, note, _ in pairs if before != note)
    return changes, tuple(dict.fromkeys(form.movement.name for form in named if form is not None))
