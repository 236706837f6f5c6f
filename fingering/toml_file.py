"""Reading a user's own TOML, with the file and line of whatever is wrong."""

import re
from copy import copy
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

SIZE_LIMIT = 200_000  # bytes
TEXT_LIMIT = 500  # characters
KEY_LIMIT = 16  # parts between dots: the parser's work grows with their square

# Texts and comments, to the end of the file where one has no end; what is left has the keys.
_TEXTS = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"{3,5}|\\?\Z)'
    r"|'''.*?(?:'{3,5}|\Z)"
    r'|"(?:\\.|[^"\\\n])*+"?'
    r"|'[^'\n]*+'?"
    r"|#[^\n]*+",
    re.DOTALL,
)
_LONG_KEY = re.compile(rf'(?<![\w"-])(?:["\w-]++[ \t]*+\.[ \t]*+){{{KEY_LIMIT}}}')


class FileError(ValueError):
    """A file that cannot be used: which one, which line (None where it is no single one), why."""

    def __init__(self, path: str, line: int | None, reason: str) -> None:
        self.path, self.line, self.reason = path, line, reason
        super().__init__(f"{path}{'' if line is None else f', line {line}'}: {reason}")


class TomlFile:
    """A TOML file whose entries stand under `[[section]]`; `head` is what stands outside of all entries.

    What is wrong is raised as `error`, a kind of FileError.
    """

    def __init__(self, data: bytes, path: str, section: str, error: type[FileError]) -> None:
        self.path, self.section, self._error = path, section, error
        if len(data) > SIZE_LIMIT:
            self.refuse(None, f"expected a file of at most {SIZE_LIMIT} bytes; this one is longer")
        try:
            self._text = data.decode("utf-8-sig")
        except UnicodeDecodeError as bad:
            self.refuse(data[: bad.start].count(b"\n") + 1, "expected UTF-8 text; save the file as UTF-8 and try again")
        self.lines = self._text.split("\n")
        self.head = TomlEntry(self, None, self._parse())
        self._find_entries()

    def beside(self, section: str) -> "TomlFile":
        """The same file by the entries of another section."""
        other = copy(self)
        other.section = section
        other._find_entries()
        return other

    def _find_entries(self) -> None:
        section, found = self.section, self.head.values.get(self.section, [])
        if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
            self.head.refuse(section, f"expected entries that each begin with a line [[{section}]]")
        self.entries = [TomlEntry(self, index, entry) for index, entry in enumerate(found)]
        # Knows nothing if the count does not come out: a wrong line would be worse than none.
        heading = re.compile(rf"^\s*\[\[\s*[\"']?{re.escape(section)}[\"']?\s*\]\]")
        heads = [number for number, text in enumerate(self.lines) if heading.match(text)]
        self.heads = [*heads, len(self.lines)] if len(heads) == len(found) else []

    def refuse(self, line: int | None, reason: str) -> NoReturn:
        """Raise the file's error."""
        raise self._error(self.path, line, reason) from None

    def _parse(self) -> dict[str, Any]:
        try:
            return parse_toml(self._text)
        except ValueError as bad:
            at = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", str(bad))
            line = int(at[1]) if at and at[1] else len(self.lines) if at else None
            reason = str(bad)[: at.start()].strip() if at else str(bad)
            self.refuse(line, f"expected TOML; {reason[:1].lower()}{reason[1:]}")


@dataclass(frozen=True, slots=True)
class TomlEntry:
    """One entry of a file, counted from 0, or its head (`index` None), and where each of its keys stands."""

    file: TomlFile
    index: int | None
    values: dict[str, Any]

    def line(self, key: str | None = None) -> int | None:
        """The line of a key, else of the entry's heading; None where that cannot be told."""
        if self.index is None:
            pattern = re.compile(rf"^[\s\[]*[\"']?{re.escape(key or '')}[\"']?\s*[=.\]]")
            return next((number for number, text in enumerate(self.file.lines, 1) if pattern.match(text)), None)
        if not self.file.heads:
            return None
        first = self.file.heads[self.index] + 1
        own = self.file.lines[first : self.file.heads[self.index + 1]]
        pattern = re.compile(rf"^\s*[\"']?{re.escape(key or '')}[\"']?\s*[=.]")
        return next((number for number, text in enumerate(own, first + 1) if key and pattern.match(text)), first)

    def refuse(self, key: str | None, reason: str) -> NoReturn:
        """Raise the file's error at a key; where the line of an entry cannot be told, its number can."""
        known = self.index is None or self.file.heads
        self.file.refuse(self.line(key), reason if known else f"{self.file.section} {(self.index or 0) + 1}: {reason}")

    def expect_keys(self, *keys: str, what: str = "") -> None:
        """Refuse any other key."""
        for key in self.values:
            if key not in keys:
                wanted = what or f"the keys {', '.join(keys)}"
                self.refuse(key, f"expected only {wanted}; got {shortened(key)}")

    def text(self, key: str, default: str | None = None, limit: int = TEXT_LIMIT) -> str:
        """A value that has to be text on one line, of at most `limit` characters."""
        value = self.values.get(key, default)
        if isinstance(value, str) and value.strip() and len(value) <= limit and value.isprintable():
            return value
        self.refuse(key, f"expected {key} to be text on one line of at most {limit} characters; got {shortened(value)}")

    def number(self, key: str, least: float, most: float, whole: bool = False) -> Any:
        """A value that has to be a number from `least` to `most`, whole if it has to be."""
        value: Any = self.values.get(key)
        # A truth value is no number here; a comparison with NaN is false.
        if type(value) in ((int,) if whole else (int, float)) and least <= value <= most:
            return value
        wanted = f"a {'whole ' if whole else ''}number from {least:g} to {most:g}"
        self.refuse(key, f"expected {key} to be {wanted}; got {shortened(value)}")


def parse_toml(text: str) -> dict[str, Any]:
    """The content of a TOML text, in time that grows with its length; raises ValueError, with the place at its end."""
    import tomllib

    found = _LONG_KEY.search(_TEXTS.sub(_without_text, text))
    if found:
        line = found.string.count("\n", 0, found.start()) + 1
        raise ValueError(f"a key has more than {KEY_LIMIT} parts (at line {line}, column 1)")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise ValueError("this one is nested too deeply to read") from None
    except ValueError:
        raise ValueError("a number in it has no end") from None


def _without_text(found: re.Match[str]) -> str:
    return '""' + "\n" * found[0].count("\n")


def shortened(value: object) -> str:
    """A value as it is shown in a sentence."""
    try:
        shown = repr(value)
    except ValueError:  # Python writes no whole number of more than 4300 digits.
        return "a number without end"
    return shown if len(shown) <= 60 else shown[:60] + "…"


def read_bytes(path: str | Path, error: type[FileError]) -> bytes:
    """The bytes of a user's TOML file, one more than SIZE_LIMIT at most."""
    try:
        place = Path(path)
        if place.is_file() or not place.exists():
            with open(place, "rb") as file:
                return file.read(SIZE_LIMIT + 1)
    except OSError as bad:
        raise error(str(path), None, f"cannot be read: {bad.strerror or bad}; name another") from None
    except ValueError as bad:
        raise error(str(path), None, f"cannot be read: {bad}; name another") from None
    raise error(str(path), None, "expected a TOML file; this is a folder or a device; name another")
