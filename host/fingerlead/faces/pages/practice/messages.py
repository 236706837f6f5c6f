"""From a page's message to what it asks for. What is wrong with a message becomes one sentence; nothing is guessed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fingerlead.practice import inbox as wishes

MOST_BYTES = 2_000
LONGEST_TEXT = 300


@dataclass(frozen=True, slots=True)
class Cover:
    """The page's own fingers: holes as they are from now on."""

    covered_mask: int


@dataclass(frozen=True, slots=True)
class Again:
    """Let this page have everything once more."""


class AskingError(ValueError):
    """A message that says nothing sensible; `str()` is one sentence."""


Asked = wishes.Request | Cover | Again
Field = Callable[[str, Any], Any]


def read_asked(text: str | bytes, host_us: int) -> Asked | None:
    """What a message asks for; None for a kind that is not known, which is passed over. Raises AskingError."""
    message = read_message(text)
    match message["kind"]:
        case "holes":
            return Cover(_whole("covered_mask", message.get("covered_mask"), 0, 255))
        case "all":
            return Again()
        case "listen":
            return wishes.Listen(_text("to", message.get("to")))
        case "rung":
            return wishes.ChooseRung(_text("key", message.get("key")))
        case "tonight":
            return wishes.BeginTonight()
        case "restart":
            return wishes.BeginAgain()
        case "hand":
            return wishes.HandOnTop(_one_of("left", "right")("on_top", message.get("on_top")))
        case "sound":
            return wishes.SetSound(**_fields(message, _SOUND))
        case "metronome":
            return wishes.SetMetronome(**_fields(message, _METRONOME))
        case "tap":
            return wishes.Tap(host_us)
        case "keyboard":
            return wishes.KeyboardHolds(_whole("holds", message.get("holds"), 0, 255))
        case "finish":
            return wishes.Finish()
    return None


def read_message(text: str | bytes) -> dict[str, Any]:
    """A message as an object that has a kind. Raises AskingError."""
    size = len(text)
    if size > MOST_BYTES:
        raise AskingError(f"expected a message of at most {MOST_BYTES} characters; got {size}")
    try:
        message = json.loads(text)
    except (ValueError, RecursionError):
        raise AskingError("expected a message in JSON; got something else") from None
    if not isinstance(message, dict) or not isinstance(message.get("kind"), str):
        raise AskingError("expected an object with a kind; got something else")
    return message


def _fields(message: dict[str, Any], known: dict[str, Field]) -> dict[str, Any]:
    """The fields that are there and known; None stands for one that is left as it is."""
    return {name: read(name, message[name]) for name, read in known.items() if message.get(name) is not None}


def _refuse(name: str, expected: str, got: Any) -> AskingError:
    shown = repr(got)
    return AskingError(f"expected {name} to be {expected}; got {shown if len(shown) <= 40 else shown[:40] + '…'}")


def _whole(name: str, value: Any, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise _refuse(name, f"a whole number from {least} to {most}", value)
    return value


def _whole_from(least: int, most: int) -> Field:
    return lambda name, value: _whole(name, value, least, most)


def _number_from(least: float, most: float) -> Field:
    def read(name: str, value: Any) -> float:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not least <= value <= most or math.isnan(value):
            raise _refuse(name, f"a number from {least:g} to {most:g}", value)
        return float(value)

    return read


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_TEXT or not value.isprintable():
        raise _refuse(name, f"a text of at most {LONGEST_TEXT} letters", value)
    return value


def _one_of(*values: str) -> Field:
    def read(name: str, value: Any) -> str:
        if value not in values:
            raise _refuse(name, " or ".join(values), value)
        return str(value)

    return read


def _yes_or_no(name: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise _refuse(name, "true or false", value)
    return value


_SOUND: dict[str, Field] = {
    "where": _one_of("host", "page", "nowhere"),
    "device": _text,
    "level_db": _number_from(-60, 0),
    "voice": _text,
    "low_a_hz": _number_from(1, 10_000),
    "scale": _text,
    "drones": _yes_or_no,
    "false_cents": _number_from(-1_200, 1_200),
    "delay_ms": _number_from(0, 5_000),
}
_METRONOME: dict[str, Field] = {
    "on": _yes_or_no,
    "bpm": _number_from(1, 1_000),
    "beats": _whole_from(1, 64),
    "subdivision": _whole_from(1, 64),
}
