"""What the practice page may ask for: from its messages to requests of the practice actor."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fingering.orders import ORDERS
from fingerlead.faces.pages.kit.requests import Field, number, one_of, read_fields, text, true_or_false, whole
from fingerlead.practice import inbox


@dataclass(frozen=True, slots=True)
class Cover:
    """The page's own fingers: holes as they are from now on."""

    covered_mask: int


MASK = whole(0, 255)
SOUND: dict[str, Field] = {
    "where": one_of("host", "page", "nowhere"),
    "device": text,
    "level_db": number(-60, 0),
    "voice": text,
    "low_a_hz": number(1, 10_000),
    "scale": text,
    "drones": true_or_false,
    "false_cents": number(-1_200, 1_200),
    "delay_ms": number(0, 5_000),
}
METRONOME: dict[str, Field] = {
    "on": true_or_false,
    "bpm": number(1, 1_000),
    "beats": whole(1, 64),
    "subdivision": whole(1, 64),
}


def read_request(message: Mapping[str, Any], host_us: int) -> inbox.Request | Cover | None:
    """What a message asks for; None for a kind that is not known, which is passed over. Raises RequestError."""
    match message["kind"]:
        case "holes":
            return Cover(MASK("covered_mask", message.get("covered_mask")))
        case "listen":
            return inbox.Choose(text("to", message.get("to")))
        case "rung":
            return inbox.ChooseRung(text("key", message.get("key")))
        case "take_off":
            return inbox.TakeOff(text("key", message.get("key")))
        case "put_back":
            return inbox.PutBack(text("key", message.get("key")))
        case "next":
            return inbox.GoNext(text("key", message.get("key")))
        case "go_on":
            return inbox.GoOn(text("key", message.get("key")))
        case "play_on":
            return inbox.PlayOn()
        case "tonight":
            return inbox.BeginTonight()
        case "in_time":
            return inbox.PlayInTime(true_or_false("on", message.get("on")))
        case "restart":
            return inbox.BeginAgain()
        case "hand":
            return inbox.HandOnTop(one_of("left", "right")("on_top", message.get("on_top")))
        case "order":
            return inbox.OrderRungs(one_of(*ORDERS)("order", message.get("order")))
        case "sound":
            return inbox.SetSound(**read_fields(message, SOUND))
        case "metronome":
            return inbox.SetMetronome(**read_fields(message, METRONOME))
        case "tap":
            return inbox.Tap(host_us)
        case "click":
            return inbox.PageBeat(host_us + whole(0, 1_000_000)("in_us", message.get("in_us")))
        case "keyboard":
            return inbox.KeyboardHolds(MASK("holds", message.get("holds")))
        case "finish":
            return inbox.Finish()
    return None
