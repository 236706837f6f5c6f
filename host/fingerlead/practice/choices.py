"""What a learner has chosen once and need not choose again: the hand on top, the order of the ladder, the sound.

A small JSON file beside the sessions. How loud is never kept: every session starts quiet.
"""

import contextlib
import json
from pathlib import Path
from typing import Any, Literal

from fingering.orders import ORDERS, Order
from fingerlead.practice.sounding import SoundSettings
from fingerlead.store.files import make_private, write_whole

NAME = "choices.json"
LONGEST = 10_000
SOUND: dict[str, type | tuple[type, ...]] = {
    "voice": str,
    "low_a_hz": (int, float),
    "scale": str,
    "false_cents": (int, float),
    "drones": bool,
    "device": str,
    "delay_ms": (int, float),
}


class Choices:
    """The choices kept in a folder; None keeps them no longer than the session. A file that is damaged is no choice."""

    def __init__(self, folder: Path | None) -> None:
        self._path = None if folder is None else folder / NAME
        self._kept = {} if self._path is None else _read(self._path)

    @property
    def hand_on_top(self) -> Literal["left", "right"]:
        """Which hand is the upper one; the left unless chosen otherwise."""
        return "right" if self._kept.get("hand_on_top") == "right" else "left"

    @property
    def order(self) -> Order:
        """The order of the ladder; the taught one unless chosen otherwise."""
        return "derived" if self._kept.get("order") == "derived" else "taught"

    @property
    def has_order(self) -> bool:
        """Whether an order was chosen."""
        return self._kept.get("order") in ORDERS

    def sound(self) -> SoundSettings:
        """How it sounds, quiet; the usual where nothing sensible was chosen."""
        chosen = {name: self._kept[name] for name, kind in SOUND.items() if isinstance(self._kept.get(name), kind)}
        with contextlib.suppress(ValueError):
            return SoundSettings(**chosen)
        return SoundSettings()

    def choose_hand(self, hand: Literal["left", "right"]) -> None:
        """Keep which hand is on top."""
        self._keep(hand_on_top=hand)

    def choose_order(self, order: Order) -> None:
        """Keep in which order the ladder is climbed."""
        self._keep(order=order)

    def choose_sound(self, settings: SoundSettings) -> None:
        """Keep how it sounds."""
        self._keep(**{name: getattr(settings, name) for name in SOUND})

    def _keep(self, **chosen: Any) -> None:
        after = {**self._kept, **chosen}
        if after == self._kept:
            return
        self._kept = after
        if self._path is not None:
            # A choice that cannot be kept is made again next time.
            with contextlib.suppress(OSError):
                make_private(self._path.parent)
                write_whole(self._path, json.dumps(after, indent=1).encode())


def _read(path: Path) -> dict[str, Any]:
    with contextlib.suppress(OSError, ValueError, RecursionError), path.open("rb") as file:
        kept = json.loads(file.read(LONGEST))
        return kept if isinstance(kept, dict) else {}
    return {}
