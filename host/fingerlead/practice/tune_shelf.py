"""The player's own tunes in a small JSON file beside the sessions: a list of ABC texts, the oldest first.

What is damaged or cannot be practised any more is left out; a tune that cannot be kept lasts as long as the program.
"""

import contextlib
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from fingerlead.practice.own_tunes import MOST_TUNES, own_tune
from fingerlead.practice.tonight import OnStaff
from fingerlead.store.files import make_private, write_whole
from fingerlead.store.session_music import LONGEST_ABC

NAME = "own_tunes.json"
LONGEST = 13 * MOST_TUNES * LONGEST_ABC  # JSON writes a letter as up to twelve bytes


class TuneShelf:
    """The tunes kept in a folder."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME

    def tunes(self, given: Sequence[OnStaff], taken: Iterable[str] = ()) -> list[OnStaff]:
        """The kept ones, under names that are not `taken`, and those that are `given`, as they are; each music once."""
        names, known = {*taken, *(tune.name for tune in given)}, {tune.abc for tune in given}
        kept: list[OnStaff] = []
        for text in self._texts():
            with contextlib.suppress(ValueError, RecursionError):
                tune = own_tune(text, taken=names)
                if tune.abc not in known:
                    kept.append(tune)
                    names.add(tune.name)
                    known.add(tune.abc)
        return [*kept, *given][-MOST_TUNES:]

    def keep(self, tunes: Iterable[OnStaff]) -> None:
        """Write them down, where that is possible."""
        with contextlib.suppress(OSError):
            make_private(self._path.parent)
            write_whole(self._path, json.dumps([tune.abc for tune in tunes], indent=1).encode())

    def _texts(self) -> list[str]:
        with contextlib.suppress(OSError, ValueError, RecursionError), self._path.open("rb") as file:
            kept = json.loads(file.read(LONGEST))
            return [text for text in kept if isinstance(text, str)][-MOST_TUNES:] if isinstance(kept, list) else []
        return []
