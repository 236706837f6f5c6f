"""What a page may send, field by field. What is wrong with a message becomes one sentence; nothing is guessed."""

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

MOST_BYTES = 2_000
LONGEST_TEXT = 300

# Reads a field: its name and what it holds, checked. Raises RequestError.
Field = Callable[[str, Any], Any]


class RequestError(ValueError):
    """A message that asks for nothing sensible; `str()` is one sentence without its full stop."""


def read_message(text: str | bytes) -> dict[str, Any]:
    """A message as an object that has a kind. Raises RequestError."""
    size = len(text)
    if size > MOST_BYTES:
        raise RequestError(f"expected a message of at most {MOST_BYTES} characters; got {size}")
    try:
        message = json.loads(text)
    except (ValueError, RecursionError):
        raise RequestError("expected a message in JSON; got something else") from None
    if not isinstance(message, dict) or not isinstance(message.get("kind"), str):
        raise RequestError("expected an object with a kind; got something else")
    return message


def read_fields(message: Mapping[str, Any], fields: Mapping[str, Field]) -> dict[str, Any]:
    """The fields of a message that are there and known; null leaves one out. Raises RequestError."""
    return {name: read(name, message[name]) for name, read in fields.items() if message.get(name) is not None}


def whole(least: int, most: int) -> Field:
    """Reads a whole number between two others."""

    def read(name: str, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise _refusal(name, f"a whole number from {least} to {most}", value)
        return value

    return read


def number(least: float, most: float) -> Field:
    """Reads a number between two others."""

    def read(name: str, value: Any) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not least <= value <= most or math.isnan(value):
            raise _refusal(name, f"a number from {least:g} to {most:g}", value)
        return float(value)

    return read


def text(name: str, value: Any) -> str:
    """Reads a text."""
    if not isinstance(value, str) or len(value) > LONGEST_TEXT or not value.isprintable():
        raise _refusal(name, f"a text of at most {LONGEST_TEXT} letters", value)
    return value


def one_of(*values: str) -> Field:
    """Reads one of a few words."""

    def read(name: str, value: Any) -> str:
        if value not in values:
            raise _refusal(name, " or ".join(values), value)
        return str(value)

    return read


def true_or_false(name: str, value: Any) -> bool:
    """Reads a truth value."""
    if not isinstance(value, bool):
        raise _refusal(name, "true or false", value)
    return value


def _refusal(name: str, expected: str, got: Any) -> RequestError:
    shown = repr(got)
    return RequestError(f"expected {name} to be {expected}; got {shown if len(shown) <= 40 else shown[:40] + '…'}")
