"""What can be wrong with ABC text, and what of it was passed over, each with its line and column (from 1)."""

from __future__ import annotations

from dataclasses import dataclass


class AbcError(ValueError):
    """ABC that cannot be read: where, what was expected there, and what stood there instead."""

    def __init__(self, line: int, column: int, expected: str, got: str, source_name: str = "") -> None:
        self.line, self.column, self.expected, self.got, self.source_name = line, column, expected, got, source_name
        place = f"{source_name}, line" if source_name else "line"
        super().__init__(f"{place} {line}, column {column}: expected {expected}; got {got}")


@dataclass(frozen=True, slots=True)
class AbcWarning:
    """A part of the standard that was passed over, in a sentence."""

    line: int
    column: int
    sentence: str

    def __str__(self) -> str:
        return f"line {self.line}, column {self.column}: {self.sentence}"


class Warnings:
    """The warnings of one text, up to a number that a person may still want to read."""

    LIMIT = 200

    def __init__(self) -> None:
        self.found: list[AbcWarning] = []

    def add(self, line: int, column: int, sentence: str) -> None:
        """Keep a warning; past the limit say once that there are more."""
        if len(self.found) < self.LIMIT:
            self.found.append(AbcWarning(line, column, sentence))
        elif len(self.found) == self.LIMIT:
            self.found.append(AbcWarning(line, column, "more was passed over from here on; no more is listed"))


def shown(text: str, most: int = 20) -> str:
    """Text from a file as it can stand in a sentence: quoted, cut, control characters written out."""
    return repr(text if len(text) <= most else text[:most] + "…")
