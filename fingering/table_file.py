"""Reading a fingering table's TOML, row by row, with the line of whatever is wrong.

A file holds an optional `name` and `[[row]]` tables with `note`, `holes`, `kind` ("standard" or "alternate"),
`source` and, for an alternate, `name`. See tables/standard.toml.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, Literal, NoReturn

from fingering.holes import HANDS_OFF, HolesError, from_text
from fingering.notes import NOTES, SOUNDING, note_index
from fingering.toml_file import SIZE_LIMIT, FileError, TomlFile

__all__ = ["SIZE_LIMIT", "Row", "TableError", "read_rows"]

_ROW_KEYS = ("note", "holes", "kind", "name", "source")
_NEEDED = ("note", "holes", "kind", "source")


class TableError(FileError):
    """A fingering table that cannot be used: which file, which line (None where no single line is to blame), why."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table. `line` is where it stands in its file, None where that cannot be told."""

    note: int
    covered_mask: int
    kind: Literal["standard", "alternate"]
    name: str
    source: str
    line: int | None


def read_rows(data: bytes, path: str) -> tuple[str, tuple[Row, ...]]:
    """The table's name and its rows; raises TableError. Does not ask for all nine notes."""
    file = TomlFile(data, path, "row", TableError)
    for key in file.content:
        if key not in ("name", "row"):
            file.refuse(file.line_of(key), f"expected only a name and [[row]] tables; got {key!r}")
    name = file.text(file.content.get("name", PurePath(path).stem), "name")
    rows: list[Row] = []
    for index, entry in enumerate(file.entries):
        row = _row(entry, index, file)
        _check_new(row, rows, file.entry_line(index, "holes"), path)
        rows.append(row)
    return name, tuple(rows)


def _row(entry: dict[str, Any], index: int, file: TomlFile) -> Row:
    def refuse(key: str | None, reason: str) -> NoReturn:
        file.refuse_entry(index, key, reason)

    for key in entry:
        if key not in _ROW_KEYS:
            refuse(key, f"expected only the keys {', '.join(_ROW_KEYS)}; got {key!r}")
    for key in _NEEDED:
        if key not in entry:
            needed = ", ".join(_NEEDED)
            refuse(None, f"expected a row with {needed}; {key} is missing")
    texts = {key: file.text(value, key, index) for key, value in entry.items()}
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
    if kind == "standard":
        return Row(note, mask, "standard", texts.get("name", NOTES[note]), texts["source"], file.entry_line(index))
    if kind == "alternate":
        name = texts.get("name", f"alternate {NOTES[note]}")
        return Row(note, mask, "alternate", name, texts["source"], file.entry_line(index))
    refuse("kind", f'expected kind to be "standard" or "alternate"; got {kind!r}')


def _check_new(row: Row, rows: list[Row], line: int | None, path: str) -> None:
    for other in rows:
        place = "above" if other.line is None else f"on line {other.line}"
        if other.covered_mask == row.covered_mask:
            raise TableError(path, line, f"expected each fingering once; the row {place} has the same holes")
        if other.note == row.note and other.kind == row.kind == "standard":
            raise TableError(
                path, line, f"expected one standard fingering of {NOTES[row.note]}; the row {place} is one already"
            )
