"""Reading a user's own TOML, with the file and line of whatever is wrong."""

import re
from pathlib import Path
from typing import Any, NoReturn

SIZE_LIMIT = 200_000  # bytes
TEXT_LIMIT = 500  # characters


class FileError(ValueError):
    """A file that cannot be used: which one, which line (None where it is no single one), why."""

    def __init__(self, path: str, line: int | None, reason: str) -> None:
        self.path, self.line, self.reason = path, line, reason
        super().__init__(f"{path}{'' if line is None else f', line {line}'}: {reason}")


class TomlFile:
    """A TOML file whose entries stand under `[[head]]`, and where each of their keys stands in it.

    What is wrong is raised as `error`, a kind of FileError.
    """

    def __init__(self, data: bytes, path: str, head: str, error: type[FileError]) -> None:
        self.path, self._head, self._error = path, head, error
        if len(data) > SIZE_LIMIT:
            self.refuse(None, f"expected a file of at most {SIZE_LIMIT} bytes; this one is longer")
        try:
            self._text = data.decode("utf-8-sig")
        except UnicodeDecodeError as bad:
            line = data[: bad.start].count(b"\n") + 1
            self.refuse(line, "expected UTF-8 text; save the file as UTF-8 and try again")
        self._lines = self._text.split("\n")
        self.content = self._parse()
        found = self.content.get(head, [])
        if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
            self.refuse(self.line_of(head), f"expected entries that each begin with a line [[{head}]]")
        self.entries: list[dict[str, Any]] = found
        # Knows nothing if the count does not come out: a wrong line would be worse than none.
        heading = re.compile(rf"^\s*\[\[\s*[\"']?{re.escape(head)}[\"']?\s*\]\]")
        heads = [number for number, text in enumerate(self._lines) if heading.match(text)]
        self._heads = [*heads, len(self._lines)] if len(heads) == len(found) else []

    def refuse(self, line: int | None, reason: str) -> NoReturn:
        """Raise the file's error."""
        raise self._error(self.path, line, reason) from None

    def refuse_entry(self, index: int, key: str | None, reason: str) -> NoReturn:
        """Raise the file's error at a key of an entry; where the line cannot be told, the entry's number can."""
        where = "" if self._heads else f"{self._head} {index + 1}: "
        self.refuse(self.entry_line(index, key), where + reason)

    def line_of(self, key: str) -> int | None:
        """The line of a key, or of a table's head, outside of the entries."""
        pattern = re.compile(rf"^\s*\[*\s*[\"']?{re.escape(key)}[\"']?\s*[=.\]]")
        return next((number for number, text in enumerate(self._lines, 1) if pattern.match(text)), None)

    def entry_line(self, index: int, key: str | None = None) -> int | None:
        """The line of a key of an entry, or of the entry's head where it has no such key."""
        if not self._heads:
            return None
        if key is not None:
            pattern = re.compile(rf"^\s*[\"']?{re.escape(key)}[\"']?\s*[=.]")
            for number in range(self._heads[index] + 1, self._heads[index + 1]):
                if pattern.match(self._lines[number]):
                    return number + 1
        return self._heads[index] + 1

    def text(self, value: object, key: str, index: int | None = None) -> str:
        """A value that has to be text on one line: of an entry, or outside of all."""
        if isinstance(value, str) and value.strip() and len(value) <= TEXT_LIMIT and value.isprintable():
            return value
        wanted = f"expected {key} to be text on one line of at most {TEXT_LIMIT} characters; got {shortened(value)}"
        if index is None:
            self.refuse(self.line_of(key), wanted)
        self.refuse_entry(index, key, wanted)

    def _parse(self) -> dict[str, Any]:
        import tomllib

        try:
            return tomllib.loads(self._text)
        except RecursionError:
            self.refuse(None, "expected a flat file; this one is nested too deeply to read")
        except ValueError as bad:
            at = re.search(r"\(at (?:line (\d+), column \d+|end of document)\)", str(bad))
            line = int(at[1]) if at and at[1] else len(self._lines) if at else None
            reason = str(bad)[: at.start()].strip() if at else str(bad)
            self.refuse(line, f"expected TOML; {reason[:1].lower()}{reason[1:]}")


def shortened(value: object) -> str:
    """A value as it is shown in a sentence."""
    shown = repr(value)
    return shown if len(shown) <= 60 else shown[:60] + "…"


def read_bytes(path: str | Path, error: type[FileError]) -> bytes:
    """The bytes of a user's TOML file, one more than SIZE_LIMIT at most."""
    try:
        place = Path(path)
        if place.is_file() or not place.exists():
            with open(place, "rb") as file:
                return file.read(SIZE_LIMIT + 1)
    except OSError as bad:
        raise error(str(path), None, f"cannot be read: {bad.strerror or bad}") from None
    except ValueError as bad:
        raise error(str(path), None, f"cannot be read: {bad}") from None
    raise error(str(path), None, "expected a TOML file; this is a folder or a device")
