"""Every state of the practice page: for the tests that hold for all of them, and for the gallery of pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fingerlead.faces.pages.kit.joining import Joining
from fingerlead.faces.pages.practice.messages import join_lines
from tests.end_to_end.page_host import (
    HERE,
    NONE,
    TABLE,
    change_message,
    everything,
    progress_message,
    rung_message,
    told_message,
)  # fmt: skip

LOW_A = TABLE.standard[1]
# From low G to B the little finger lifts first, and a low A sounds until the ring finger is off as well.
EARLY_LITTLE_FINGER = {7: 0, 6: 18_000}
FAULT = told_message(2, 0, EARLY_LITTLE_FINGER)
NO_FAULT = {**FAULT, "what": "", "sentence": "", "take": None, "notes": [], "lead": None, "hair": None}
PASSED = {**NO_FAULT, "what": "passed", "sentence": "Passed. It comes back another day."}
LEAK = {
    **NO_FAULT, "what": "fault", "sentence": "Still open: the top ring.", "fingers": [3],
}  # fmt: skip
ALONE = {
    "kind": "progress", "out": {"name": "low G alone", "in_a_row": 0, "needed": 10}, "back": None,
    "again": False, "unclean": False, "next": None, "passed": False, "sentence": "",
}  # fmt: skip
FIRST = {"id": "n0-0-0", "note": 0, "index": 0}
BEAT = {"on": True, "bpm": 60, "beats": 4, "subdivision": 1, "loop_ms": 20, "sentence": ""}
TONIGHT = {"minutes_left": 3, "item": {"name": "x"}, "sentence": "Low A and E."}
AWAY = {
    **HERE, "source": "port", "state": "away", "name": "Long chanter",
    "sentence": "The chanter is gone (it was pulled out). Plug it in again: practice goes on by itself.",
}  # fmt: skip
NOT_COUNTED: dict[str, Any] = {
    "progress": {**ALONE, "out": None, "sentence": "Played for itself: it counts towards no rung."}, "changes": [],
}  # fmt: skip
_BAR = (("with the beat", 8_000), ("late", 130_000), ("early", -95_000), ("missed", None))
IN_TIME = {
    **NO_FAULT, "what": "in time", "sentence": "27 of 32 notes came with the beat; in bar 5 the F came late.",
    "bar": [{"note": note, "how": how, "off_us": us} for note, (how, us) in zip((1, 6, 5, 2), _BAR, strict=True)],
    "next": {"key": "low-a-f", "name": "low A and F"},
}  # fmt: skip
ALL_IN_TIME = {**IN_TIME, "sentence": "Every note came with the beat.", "bar": [], "next": None}
LOW_G_B = 9  # the rung's place in the ladder


@dataclass(frozen=True, slots=True)
class PageState:
    """`snapshot` is what the host knows, `steps` what is clicked then, `shows` what is to be seen in the end."""

    snapshot: Callable[[], dict[str, Any]]
    shows: str
    steps: tuple[str, ...] = ()
    path: str = ""
    touch: bool = False


def holes(covered_mask: int, note: int | None) -> dict[str, Any]:
    """The holes as they are."""
    return {"kind": "holes", "covered_mask": covered_mask, "note": note, "fingering": "standard", "t_us": 0}


def rows(out: int, back: int, **also: Any) -> dict[str, Any]:
    """So many clean changes in a row, out and back."""
    named = {"low G to B": out, "B to low G": back}
    both = [{"name": name, "in_a_row": count, "needed": 10} for name, count in named.items()]
    return {**progress_message(), "out": both[0], "back": both[1], **also}


def a_tune() -> dict[str, Any]:
    """An easy tune, with a meter."""
    return {
        **rung_message(27),
        "key": "heron",
        "name": "The Heron Stands Still",
        "number": None,
        "tune": True,
        "can_go_by": True,
        "together": "",
        "trains": "",
    }


def in_time(state: str, count: int = 0) -> dict[str, Any]:
    """Where a tune is that goes by in time."""
    return {"kind": "in_time", "state": state, "count": count, "of": 4}


NEXT = {"key": "low-g-c", "name": "low G and C", "number": 11}


def joining() -> dict[str, Any]:
    """How a phone joins."""
    fingerprint = " ".join(["1A"] * 32)
    return Joining("https://192.0.2.17:8731/#" + "x" * 43, fingerprint, join_lines(fingerprint)).message()


FULL = rows(10, 10, passed=True, next=NEXT, sentence="To go on: hands off, then hold low A.")


def practising(**over: Any) -> Callable[[], dict[str, Any]]:
    """A chanter is heard, and three changes were played."""

    def snapshot() -> dict[str, Any]:
        told = {
            "chanter": HERE, "holes": holes(LOW_A, 1), "rung": rung_message(LOW_G_B), "metronome": BEAT,
            "lit": {"id": "n0-1-1", "note": 2, "index": 3},
            "changes": [change_message(1, 1, {3: 0}), change_message(2, 0, EARLY_LITTLE_FINGER)],
            "progress": rows(3, 6),
        }  # fmt: skip
        return everything(**{**told, **{key: part() if callable(part) else part for key, part in over.items()}})

    return snapshot


def first_minute(covered_mask: int, **over: Any) -> Callable[[], dict[str, Any]]:
    """Low G alone, so far covered."""
    note = None if covered_mask == 0 else 0
    return practising(
        rung=lambda: rung_message(0), progress=ALONE, changes=[], lit=FIRST, holes=holes(covered_mask, note), **over
    )


MORE = "#more-button"
REFUSED = {**NONE, "state": "refused", "sentence": "Another program has it."}
TURNED = {
    "kind": "upright",
    "sentence": "The thumb hole stays open: it belongs at the top, at the back. Is the chanter upside down?",
}
PLUGGED = {**NONE, "found": [{"spec": "/dev/ttyACM0", "description": "Long chanter"}]}
HELD = {"held_us": 1_600_000, "needed_us": 3_000_000}
STATES = {
    "start": PageState(everything, "#start"),
    "refused": PageState(lambda: everything(chanter=REFUSED), "#start"),
    "check": PageState(everything, "#keys-check", ("[data-to=keys]",)),
    "first": PageState(first_minute(0), "[data-phase=before]"),
    "first, covering": PageState(first_minute(0b00011111), "[data-phase=playing]"),
    "first, one open": PageState(first_minute(0b10111111), "[data-phase=playing]"),
    "first, holding": PageState(first_minute(0xFF, held=HELD), "[data-phase=playing]"),
    "first, a leak": PageState(first_minute(0, told=LEAK), "[data-phase=after]"),
    "first, upside down": PageState(first_minute(0xFE, upright=TURNED), "[data-phase=playing]"),
    "before": PageState(practising(lit=FIRST, holes=holes(0, None)), "[data-phase=before]"),
    "before, right hand on top": PageState(
        practising(lit=FIRST, holes=holes(0, None), hand_on_top="right"), "[data-phase=before]"
    ),
    "playing": PageState(practising(), "[data-phase=playing]"),
    "playing a crossing": PageState(
        practising(rung=lambda: rung_message(27), lit={"id": "n0-0-1", "note": 5, "index": 1}), "[data-phase=playing]"
    ),
    "after": PageState(practising(told=FAULT), "[data-phase=after]"),
    "seen again": PageState(practising(told=FAULT), "[data-phase=replay]", ("#next-button",)),
    "tune": PageState(practising(rung=a_tune, lit=FIRST, holes=holes(0, None), **NOT_COUNTED), "[data-phase=before]"),
    "in time, counted in": PageState(
        practising(rung=a_tune, lit=FIRST, in_time=in_time("counting", 3), **NOT_COUNTED), "#sentence"
    ),
    "in time": PageState(
        practising(
            rung=a_tune, lit={"id": None, "note": 5, "index": 5}, in_time=in_time("playing"), **NOT_COUNTED
        ), "#names"
    ),
    "in time, work to do": PageState(practising(rung=a_tune, told=IN_TIME, **NOT_COUNTED), "[data-phase=after]"),
    "in time, all of it": PageState(practising(rung=a_tune, told=ALL_IN_TIME, **NOT_COUNTED), "[data-phase=after]"),
    "passed": PageState(practising(told=PASSED, progress=FULL), "[data-phase=after]"),
    "keys": PageState(everything, "#chanter", ("[data-to=keys]", "#keys-go")),
    "touch, a try": PageState(everything, "#try", ("[data-to=touch]",), touch=True),
    "touch": PageState(everything, "#pads", ("[data-to=touch]", "#try-go"), touch=True),
    "chanter, a try": PageState(lambda: everything(chanter=PLUGGED), "#try .answer", ("[data-to='/dev/ttyACM0']",)),
    "away": PageState(practising(chanter=AWAY), "#chanter.away"),
    "tonight": PageState(practising(tonight=TONIGHT), "#tonight"),
    "more": PageState(practising(), "#more-dialog", (MORE,)),
    "ladder": PageState(practising(), "#ladder-dialog", (MORE, "#ladder-button")),
    "settings": PageState(practising(), "#settings-dialog", (MORE, "#more-settings")),
    "summary": PageState(practising(), "#summary", (MORE, "#finish-button")),
    "joining": PageState(lambda: everything(join=joining()), "#join-dialog", ("#start .join-button",)),
    "hold": PageState(everything, "main", path="hold"),
}  # fmt: skip
