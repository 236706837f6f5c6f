"""fingerlead times the fingers on a practice chanter: which one led, by how much, and what sounded in between.

    loaded = fingerlead.read("lesson.session")
    analysis = fingerlead.analyse(loaded)
    analysis.changes[0].verdict

`help(fingerlead.library)` has the conventions. The names in `__all__` are the public interface; each is imported when
it is first used, so that a command of the program starts at once.
"""

from __future__ import annotations

import logging
from importlib import import_module
from typing import TYPE_CHECKING, Any

from fingerlead.version import __version__

if TYPE_CHECKING:
    from fingerlead.library import (
        FINGERS,
        NOTES,
        Analysis,
        Change,
        FingerTime,
        Held,
        IntakeError,
        Loaded,
        MovementError,
        MovementFault,
        MovementNote,
        MusicError,
        PlayedMovement,
        SessionMusic,
        Settings,
        Slip,
        Stray,
        Table,
        Timing,
        analyse,
        as_dict,
        load_table,
        read,
        standard_table,
    )
else:

    def __getattr__(name: str) -> Any:
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = globals()[name] = getattr(import_module("fingerlead.library"), name)
        return found


# Quiet, unless the program that uses this wants to hear.
logging.getLogger(__name__).addHandler(logging.NullHandler())

__all__ = [
    "FINGERS",
    "NOTES",
    "Analysis",
    "Change",
    "FingerTime",
    "Held",
    "IntakeError",
    "Loaded",
    "MovementError",
    "MovementFault",
    "MovementNote",
    "MusicError",
    "PlayedMovement",
    "SessionMusic",
    "Settings",
    "Slip",
    "Stray",
    "Table",
    "Timing",
    "__version__",
    "analyse",
    "as_dict",
    "load_table",
    "read",
    "standard_table",
]


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
