"""Reading a fingering table's TOML, row by row, with the line of whatever is wrong.

A file holds an optional `name` and `[[row]]` tables with `note`, `holes`, `kind` ("standard" or "alternate"),
`source` and, for an alternate, `name`. See tables/standard.toml.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any, Literal

from fingering.holes import HANDS_OFF, HolesError, from_text
from fingering.notes import NOTES, SOUNDING, note_index

SIZE_LIMIT = 100_000  # bytes; the nine standard rows take 2 000
TEXT_LIMIT = 500  # characters
_ROW_HEAD = re.compile(r"^\s*\[\[\s*(?:row|\"row\"|'row')\s*\]\]")
_ROW_KEYS = ("note", "holes", "kind", "name", "source")
_NEEDED = ("note", "holes", "kind", "source")


class TableError(ValueError):
    """A fingering table that cannot be used: which file, which line (None where no single line is to blame), why."""

    def __init__(self, path: str, line: int | None, reason: str) -> None:
        self.path, self.line, self.reason = path, line, reason
        super().__init__(f"{path}{'' if line is None else f', line {line}'}: {reason}")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table. `line` is where it stands in its file, None where that cannot be told."""

    note: int
    covered_mask: int
    kind: Literal["standard", "alternate"]
    name: str
    source: str
    line: int | None


class _Lines:
    """Where the rows and their keys stand, found by their headers; knows nothing if the count does not come out."""

    def __init__(self, text: str, rows: int) -> None:
        self._lines = text.split("\n")
        heads = [number for number, line in enumerate(self._lines) if _ROW_HEAD.match(line)]
        self._heads = [*heads, len(self._lines)] if len(heads) == rows else []

    def row(self, index: int) -> int | None:
        return self._heads[index] + 1 if self._heads else None

    def key(self, index: int, key: str) -> int | None:
        if self._heads:
            pattern = re.compile(rf"^\s*[\"']?{re.escape(key)}[\"']?\s*[=.]")
            for number in range(self._heads[index] + 1, self._heads[index + 1]):
                if pattern.match(self._lines[number]):
                    return number + 1
        return self.row(index)


def read_rows(data: bytes, path: str) -> tuple[str, tuple[Row, ...]]:
    """The table's name and its rows; raises TableError. Does not ask for all nine notes."""
    if len(data) > SIZE_LIMIT:
        raise TableError(path, None, f"expected a fingering table of at most {SIZE_LIMIT} bytes; this file is longer")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise TableError(path, line, "expected UTF-8 text; save the file as UTF-8 and try again") from None
    content = _parse(text, path)
    for key in content:
        if key not in ("name", "row"):
            raise TableError(path, _line_of(text, key), f"expected only a name and [[row]] tables; got {key!r}")
    name = content.get("name", PurePath(path).stem)
    _check_text(name, path, _line_of(text, "name"), "name")
    found = content.get("row", [])
    if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
        raise TableError(path, _line_of(text, "row"), "expected rows that each begin with a line [[row]]")
    lines = _Lines(text, len(found))
    rows: list[Row] = []
    for index, entry in enumerate(found):
        row = _row(entry, index, lines, path)
        _check_new(row, rows, lines.key(index, "holes"), path)
        rows.append(row)
    return name, tuple(rows)


def _parse(text: str, path: str) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(text)
    except RecursionError:
        raise TableError(path, None, "expected a flat table of rows; this file is nested too deeply to read") from None
    except ValueError as error:
        at = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", str(error))
        line = int(at[1]) if at and at[1] else len(text.split("\n")) if at else None
        reason = str(error)[: at.start()].strip() if at else str(error)
        raise TableError(path, line, f"expected TOML; {reason[:1].lower()}{reason[1:]}") from None


def _line_of(text: str, key: str) -> int | None:
    pattern = re.compile(rf"^\s*\[*\s*[\"']?{re.escape(key)}[\"']?\s*[=.\]]")
    for number, line in enumerate(text.split("\n"), 1):
        if pattern.match(line):
            return number
    return None


def _check_text(value: object, path: str, line: int | None, key: str, where: str = "") -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > TEXT_LIMIT or not value.isprintable():
        shown = repr(value)
        raise TableError(
            path,
            line,
            f"{where}expected {key} to be text on one line of at most {TEXT_LIMIT} characters; "
            f"got {shown if len(shown) <= 60 else shown[:60] + '…'}",
        )
    return value


def _row(entry: dict[str, Any], index: int, lines: _Lines, path: str) -> Row:
    where = "" if lines.row(index) else f"row {index + 1}: "

    def refuse(key: str, reason: str) -> TableError:
        return TableError(path, lines.key(index, key), where + reason)

    for key in entry:
        if key not in _ROW_KEYS:
            raise refuse(key, f"expected only the keys {', '.join(_ROW_KEYS)}; got {key!r}")
    for key in _NEEDED:
        if key not in entry:
            needed = ", ".join(_NEEDED)
            raise TableError(path, lines.row(index), f"{where}expected a row with {needed}; {key} is missing")
    texts = {key: _check_text(value, path, lines.key(index, key), key, where) for key, value in entry.items()}
    try:
        note = note_index(texts["note"])
    except ValueError as error:
        raise refuse("note", str(error)) from None
    try:
        mask = from_text(texts["holes"])
    except HolesError as error:
        raise refuse("holes", str(error)) from None
    if SOUNDING[mask] != note:
        raise refuse(
            "holes",
            f"expected holes that sound {NOTES[note]}; {texts['holes']} sounds {NOTES[SOUNDING[mask]]} "
            "(the topmost open hole names the note)",
        )
    if mask == HANDS_OFF:
        raise refuse("holes", "expected at least one covered hole; all eight open is hands off, not a note")
    kind = texts["kind"]
    if kind == "standard":
        return Row(note, mask, "standard", texts.get("name", NOTES[note]), texts["source"], lines.row(index))
    if kind == "alternate":
        name = texts.get("name", f"alternate {NOTES[note]}")
        return Row(note, mask, "alternate", name, texts["source"], lines.row(index))
    raise refuse("kind", f'expected kind to be "standard" or "alternate"; got {kind!r}')


def _check_new(row: Row, rows: list[Row], line: int | None, path: str) -> None:
    for other in rows:
        place = "above" if other.line is None else f"on line {other.line}"
        if other.covered_mask == row.covered_mask:
            raise TableError(path, line, f"expected each fingering once; the row {place} has the same holes")
        if other.note == row.note and other.kind == row.kind == "standard":
            raise TableError(
                path, line, f"expected one standard fingering of {NOTES[row.note]}; the row {place} is one already"
            )
