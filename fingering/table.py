"""The fingering table: for each of the 256 masks, how it is fingered.

*Standard* is the chart's own mask, *alternate* a named row of the table, *grace* one light finger lifted off the mask
of a note, *false* anything else: it sounds its note with wrong fingers. What a mask sounds is settled in `notes`.

Grace notes are single-finger lifts, not full fingerings: high G lifts the top index, D the bottom index, E the top
ring, F the top middle, high A the thumb (common practice; for E: P. McLaurin, patrickmclaurin.com).

A table is a TOML file, read row by row, with the line of whatever is wrong. It holds an optional `name` and `[[row]]`
tables with `note`, `holes`, `kind` ("standard" or "alternate"), `source` and, for an alternate, `name`. See
tables/standard.toml.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path, PurePath
from typing import Literal

from fingering.holes import HANDS_OFF, HolesError, fingers_of, from_text
from fingering.notes import NOTES, SOUNDING, note_index
from fingering.toml_file import FileError, TomlEntry, TomlFile, read_bytes

FingeringKind = Literal["standard", "alternate", "grace", "false"]

# The fingers that play grace notes by a lift: thumb, top index, top middle, top ring, bottom index.
GRACE_FINGERS = (0, 1, 2, 3, 4)
_ROW_KEYS = ("note", "holes", "kind", "name", "source")
_NEEDED = ("note", "holes", "kind", "source")


class TableError(FileError):
    """A fingering table that cannot be used: which file, which line (None where it is no single one), why."""


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row of a table. `line` is where it stands in its file, None where that cannot be told."""

    note: int
    covered_mask: int
    kind: Literal["standard", "alternate"]
    name: str
    source: str
    line: int | None


def read_rows(data: bytes, path: str) -> tuple[str, tuple[TableRow, ...]]:
    """The table's name and its rows; raises TableError. Does not ask for all nine notes."""
    file = TomlFile(data, path, "row", TableError)
    file.head.expect_keys("name", "row", what="a name and [[row]] tables")
    name = file.head.text("name", PurePath(path).stem)
    rows: list[TableRow] = []
    for entry in file.entries:
        row = _row(entry)
        _check_new(row, rows, entry)
        rows.append(row)
    return name, tuple(rows)


def _row(entry: TomlEntry) -> TableRow:
    refuse = entry.refuse
    entry.expect_keys(*_ROW_KEYS)
    for key in _NEEDED:
        if key not in entry.values:
            refuse(None, f"expected a row with {', '.join(_NEEDED)}; {key} is missing")
    texts = {key: entry.text(key) for key in entry.values}
    try:
        note = note_index(texts["note"])
    except ValueError as error:
        refuse("note", str(error))
    try:
        mask = from_text(texts["holes"])
    except HolesError as error:
        refuse("holes", str(error))
    if SOUNDING[mask] != note:
        refuse(
            "holes",
            f"expected holes that sound {NOTES[note]}; {texts['holes']} sounds {NOTES[SOUNDING[mask]]} "
            "(the topmost open hole names the note)",
        )
    if mask == HANDS_OFF:
        refuse("holes", "expected at least one covered hole; all eight open is hands off, not a note")
    kind = texts["kind"]
    if kind != "standard" and kind != "alternate":
        refuse("kind", f'expected kind to be "standard" or "alternate"; got {kind!r}')
    name = texts.get("name", NOTES[note] if kind == "standard" else f"alternate {NOTES[note]}")
    return TableRow(note, mask, "standard" if kind == "standard" else "alternate", name, texts["source"], entry.line())


def _check_new(row: TableRow, rows: list[TableRow], entry: TomlEntry) -> None:
    for other in rows:
        place = "above" if other.line is None else f"on line {other.line}"
        if other.covered_mask == row.covered_mask:
            entry.refuse("holes", f"expected each fingering once; the row {place} has the same holes")
        if other.note == row.note and other.kind == row.kind == "standard":
            name = NOTES[row.note]
            entry.refuse("holes", f"expected one standard fingering of {name}; the row {place} is one already")


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
    alternates: dict[int, TableRow]
    rows: tuple[TableRow, ...]

    @cached_property
    def _alone(self) -> list[Verdict]:
        """The verdict on each mask by itself."""
        return [self._judge(mask, (*self.standard, *self.alternates)) for mask in range(256)]

    def verdict(self, covered_mask: int, around: tuple[int, ...] | None = None) -> Verdict:
        """How a mask (0 to 255) is fingered; ValueError for anything else.

        `around` are the masks of the notes it may be a grace note on; without it, every mask of the table may be.
        """
        if not 0 <= covered_mask <= 0xFF:
            raise ValueError(f"expected a mask from 0 to 255; got {covered_mask!r}")
        return self._alone[covered_mask] if around is None else self._judge(covered_mask, around)

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
        accepted = [self.standard[note], *(other for other, row in self.alternates.items() if row.note == note)]
        nearest = min(accepted, key=lambda other: (mask ^ other).bit_count())
        return Verdict(note, "false", fingers_of(mask ^ nearest), f"false {NOTES[note]}")


def _table(name: str, rows: tuple[TableRow, ...]) -> Table:
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


def _own(file_name: str) -> tuple[str, tuple[TableRow, ...]]:
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
