"""Pieces of sentences: lists, counts, capitals, and paths as they can be printed."""

import os
from datetime import date
from pathlib import Path

from fingering.notes import listed as listed
from fingerlead.plain_text import plain_line


def capital(text: str) -> str:
    """With a capital at its head, as a sentence begins."""
    return text[:1].upper() + text[1:]


def small(text: str) -> str:
    """Without a capital at its head, as a sentence goes on."""
    return text[:1].lower() + text[1:]


def counted(count: int, what: str) -> str:
    """`1 note`, `2 notes`."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def date_text(day: date) -> str:
    """A day as people write it: 6 November 2026."""
    return f"{day.day} {day:%B %Y}"


def harmless_cell(value: object) -> object:
    """A cell of a table; with an apostrophe before a text that a spreadsheet would take for a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(tuple("=+-@\t\r\n")) else value


def path_text(path: Path | str) -> str:
    """A path as it can be printed, on one line, whatever bytes it is made of."""
    return plain_line(os.fsencode(path).decode(errors="replace"))


def day_words(day: str) -> str:
    """An ISO day as people write it: 6 November 2026."""
    if not day:
        return "a day unknown"
    return date_text(date.fromisoformat(day))
