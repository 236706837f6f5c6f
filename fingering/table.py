"""The fingering table: for each of the 256 masks, how it is fingered.

*Standard* is the chart's own mask, *alternate* a named row of the table, *grace* one light finger lifted off the mask
of a note, *false* anything else: it sounds its note with wrong fingers. What a mask sounds is settled in `notes`.

Grace notes are single-finger lifts, not full fingerings: high G lifts the top index, D the bottom index, E the top
ring, F the top middle, high A the thumb (common practice; for E: P. McLaurin, patrickmclaurin.com).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Literal

from fingering.holes import HANDS_OFF, fingers_of
from fingering.notes import NOTES, SOUNDING
from fingering.table_file import Row, TableError, read_rows
from fingering.toml_file import read_bytes

FingeringKind = Literal["standard", "alternate", "grace", "false"]

__all__ = ["GRACE_FINGERS", "Row", "Table", "TableError", "Verdict", "grace_masks", "load_table", "standard_table"]

# The fingers that play grace notes by a lift: thumb, top index, top middle, top ring, bottom index.
GRACE_FINGERS = (0, 1, 2, 3, 4)


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a mask is fingered. `wrong_fingers` is empty unless it is false; `name` is for people."""

    note: int
    fingering: FingeringKind
    wrong_fingers: tuple[int, ...]
    name: str


def grace_masks(covered_mask: int) -> dict[int, int]:
    """The masks of the grace notes on a mask, each with the finger that lifts: covered, above the topmost open hole."""
    masks = {}
    for finger in GRACE_FINGERS:
        if not covered_mask >> finger & 1:
            break
        masks[covered_mask & ~(1 << finger)] = finger
    return masks


@dataclass(frozen=True, eq=False)
class Table:
    """A fingering table. `standard` holds nine masks by note; `alternates` maps a mask to its row."""

    name: str
    standard: tuple[int, ...]
    alternates: dict[int, Row]
    rows: tuple[Row, ...]
    _accepted: tuple[tuple[int, ...], ...] = field(init=False, repr=False)
    _alone: dict[int, Verdict] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        accepted = [[mask] for mask in self.standard]
        for mask, row in self.alternates.items():
            accepted[row.note].append(mask)
        object.__setattr__(self, "_accepted", tuple(map(tuple, accepted)))

    def verdict(self, covered_mask: int, around: tuple[int, ...] | None = None) -> Verdict:
        """How a mask (0 to 255) is fingered; ValueError for anything else.

        `around` are the masks of the notes it may be a grace note on; without it, every mask of the table may be.
        """
        if not 0 <= covered_mask <= 0xFF:
            raise ValueError(f"expected a mask from 0 to 255; got {covered_mask!r}")
        if around is not None:
            return self._judge(covered_mask, around)
        if covered_mask not in self._alone:
            self._alone[covered_mask] = self._judge(covered_mask, (*self.standard, *self.alternates))
        return self._alone[covered_mask]

    def _judge(self, mask: int, around: tuple[int, ...]) -> Verdict:
        note = SOUNDING[mask]
        if mask == self.standard[note]:
            return Verdict(note, "standard", (), NOTES[note])
        if mask in self.alternates:
            return Verdict(note, "alternate", (), self.alternates[mask].name)
        if mask != HANDS_OFF:
            for base in around:
                if mask in grace_masks(base):
                    return Verdict(note, "grace", (), f"{NOTES[note]} grace note on {NOTES[SOUNDING[base]]}")
        # min keeps the first of equals, and the standard mask stands first.
        nearest = min(self._accepted[note], key=lambda accepted: (mask ^ accepted).bit_count())
        return Verdict(note, "false", fingers_of(mask ^ nearest), f"false {NOTES[note]}")


def _table(name: str, rows: tuple[Row, ...]) -> Table:
    standard = {row.note: row.covered_mask for row in rows if row.kind == "standard"}
    alternates = {row.covered_mask: row for row in rows if row.kind == "alternate"}
    return Table(name, tuple(standard[note] for note in range(len(NOTES))), alternates, rows)


@lru_cache(maxsize=2)
def standard_table(alternates: bool = False) -> Table:
    """The program's own table: the nine standard fingerings, and on request the alternates beside them."""
    name, rows = _own("standard.toml")
    if alternates:
        _, more = _own("alternates.toml")
        return _table(f"{name} with alternates", rows + more)
    return _table(name, rows)


def _own(file_name: str) -> tuple[str, tuple[Row, ...]]:
    from importlib.resources import files

    return read_rows((files("fingering") / "tables" / file_name).read_bytes(), file_name)


def load_table(path: str | Path) -> Table:
    """A table from a user's TOML file, checked row by row; raises TableError with file, line and reason."""
    shown = str(path)
    name, rows = read_rows(read_bytes(path, TableError), shown)
    present = {row.note for row in rows if row.kind == "standard"}
    missing = [name for note, name in enumerate(NOTES) if note not in present]
    if missing:
        raise TableError(
            shown,
            None,
            f'expected one row of kind "standard" for each of the nine notes; none for {", ".join(missing)}',
        )
    return _table(name, rows)
