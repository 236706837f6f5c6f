"""Easy tunes without grace notes, written for this project, each playable from a rung of the ladder up.

Each file of ABC in this folder names in a comment the rung that makes it playable: every change in it is on that rung
or below, in the order of the ladder at its usual scatter.
"""

import re
from dataclasses import dataclass
from functools import lru_cache

_TITLE = re.compile(r"^T:\s*(.+?)\s*$", re.MULTILINE)
_RUNG = re.compile(r"^%.*\brung: ([a-z-]+)\s*$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class EasyTune:
    """One tune: its key, its title, the key of the rung that makes it playable, its music as ABC."""

    key: str
    title: str
    rung: str
    abc: str


@lru_cache(maxsize=1)
def easy_tunes() -> tuple[EasyTune, ...]:
    """The tunes, easiest first."""
    from importlib.resources import files

    tunes = []
    for file in files("fingering.tunes").iterdir():
        if file.name.endswith(".abc"):
            abc = file.read_text(encoding="utf-8")
            title, rung = _TITLE.search(abc), _RUNG.search(abc)
            if title is None or rung is None:
                raise ValueError(f"{file.name}: expected a title and the comment that names its rung")
            tunes.append(EasyTune(file.name.removesuffix(".abc"), title[1], rung[1], abc))
    return tuple(sorted(tunes, key=lambda tune: int(tune.abc.split("\n", 1)[0].removeprefix("X:"))))
