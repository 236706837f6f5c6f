"""What a lesson's log holds, entry by entry, and its bytes: one byte of kind, then a body.

Stage: entry bytes (at most MOST_ENTRY) ⇄ frozen records. What was read from the chanter's port is binary, so that it is
the same to the byte at the other end; all else is one JSON object, of which names that are not known are passed over. A
kind that is not known is no error: a newer program may say more. `host_us` is the sender's monotonic clock, `at_us` the
chanter's unwrapped one. Layouts: hardware_notes/lesson.md.
"""

import json
import struct
from dataclasses import asdict, dataclass, fields
from typing import Any, get_args, get_type_hints

from fingerlead.lesson.errors import unexpected
from fingerlead.wire.carriers import Carrier

MOST_ENTRY = 1 << 18
LONGEST_TEXT = 1_500
LONGEST_LONG = 60_000  # of ABC, of a teacher's own movements
LONGEST_LIST = 1_000
MOST_US = (1 << 63) - 1
CARRIERS: tuple[Carrier, ...] = get_args(Carrier)
LONG_TEXTS = {"abc", "movements"}
_READ = struct.Struct("<QB")


@dataclass(frozen=True, slots=True)
class Read:
    """The bytes of one read of the chanter's port, and when the last of them arrived."""

    host_us: int
    carrier: Carrier
    data: bytes


@dataclass(frozen=True, slots=True)
class Consent:
    """The first entry of either log: the player agrees to the lesson; `name` is empty where none is given.

    `first_note` and `channel` are those of a chanter of plain notes; `movements` a teacher's own, as TOML.
    """

    name: str = ""
    program: str = ""
    first_note: int = 24
    channel: int = 15
    movements: str = ""


@dataclass(frozen=True, slots=True)
class PortGone:
    """The chanter's port vanished."""

    host_us: int
    cause: str = ""


@dataclass(frozen=True, slots=True)
class PortBack:
    """The chanter's port is here again."""

    host_us: int


@dataclass(frozen=True, slots=True)
class MusicAsked:
    """From the state at `at_us` on this is asked for: the fields of `reading.asked.SessionMusic`."""

    at_us: int
    kind: str = "none"
    name: str = ""
    abc: str = ""
    pass_number: int = 1
    beat_us: int | None = None
    stage_us: int | None = None
    judged: bool = True
    why: str = ""
    begins_us: int | None = None
    within_us: int | None = None


@dataclass(frozen=True, slots=True)
class Beats:
    """A metronome at this machine sounded beats at these times."""

    beat_us: int
    host_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChanterKnown:
    """What is known of the chanter whose hello comes next: its skew, and its levels as `timing.results.KnownSeal`."""

    device_id: str
    skew_us: int | None = None
    sealed: bool = False
    lift_raw: tuple[int, ...] = ()
    cover_raw: tuple[int, ...] = ()
    made: str = ""
    heights: str = "none"
    apart_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class PageTold:
    """What the player's own page told them."""

    text: str


@dataclass(frozen=True, slots=True)
class ActDone:
    """The entry of this number, an act of the other side's, was done; or was not, and why."""

    act: int
    done: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class SetRung:
    """An act: this rung or tune is to be played."""

    key: str


@dataclass(frozen=True, slots=True)
class PointAt:
    """An act: look at this stretch of what was played."""

    at_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class SayWord:
    """An act: a word in passing, "slowly" or "mended"."""

    word: str


@dataclass(frozen=True, slots=True)
class PinRemark:
    """An act: a remark on a moment of what was played."""

    at_us: int
    text: str


@dataclass(frozen=True, slots=True)
class Ending:
    """The last entry of a log; `digest` is the SHA-256 of all entries before it, each after its length as u32."""

    why: str = ""
    digest: str = ""


Entry = (
    Read
    | Consent
    | PortGone
    | PortBack
    | MusicAsked
    | Beats
    | ChanterKnown
    | PageTold
    | ActDone
    | SetRung
    | PointAt
    | SayWord
    | PinRemark
    | Ending
)
ACTS = (SetRung, PointAt, SayWord, PinRemark)
READ_KIND = 1
KINDS: dict[int, type[Any]] = {
    2: Consent,
    3: PortGone,
    4: PortBack,
    5: MusicAsked,
    6: Beats,
    7: ChanterKnown,
    8: PageTold,
    9: ActDone,
    10: Ending,
    16: SetRung,
    17: PointAt,
    18: SayWord,
    19: PinRemark,
}
_NUMBER_OF = {kind: number for number, kind in KINDS.items()}
_HINTS = {kind: get_type_hints(kind) for kind in KINDS.values()}


def encode_entry(entry: Entry) -> bytes:
    """The bytes of an entry; raises LessonError where it would be refused at the other end."""
    if isinstance(entry, Read):
        data = bytes([READ_KIND]) + _READ.pack(entry.host_us, CARRIERS.index(entry.carrier)) + entry.data
    else:
        found = asdict(entry)
        _record(type(entry), found)
        text = json.dumps(found, ensure_ascii=False, separators=(",", ":"))
        data = bytes([_NUMBER_OF[type(entry)]]) + text.encode("utf-8", "backslashreplace")
    if len(data) > MOST_ENTRY:
        raise unexpected(f"at most {MOST_ENTRY} bytes in an entry", str(len(data)))
    return data


def decode_entry(data: bytes) -> Entry | None:
    """The entry of these bytes, None where its kind is not known; raises LessonError."""
    if not data:
        raise unexpected("an entry of a lesson", "nothing")
    if data[0] == READ_KIND:
        if len(data) <= _READ.size or data[_READ.size] >= len(CARRIERS):
            raise unexpected("what was read from a chanter", "a broken entry")
        host_us, carrier = _READ.unpack_from(data, 1)
        if host_us > MOST_US:
            raise unexpected("a time of a clock", str(host_us))
        return Read(host_us, CARRIERS[carrier], data[1 + _READ.size :])
    kind = KINDS.get(data[0])
    if kind is None:
        return None
    try:
        found = json.loads(data[1:].decode("utf-8"))
    except (ValueError, RecursionError):
        raise unexpected("an entry of a lesson as JSON", "something else") from None
    if not isinstance(found, dict):
        raise unexpected("an entry of a lesson as a JSON object", "something else")
    entry: Entry = _record(kind, found)
    return entry


def _record(kind: type[Any], found: dict[str, Any]) -> Any:
    """The record of a JSON object, whose every value is held to its field's type and bounds."""
    hints = _HINTS[kind]
    values = {}
    for field in fields(kind):
        if field.name not in found:
            continue
        value = found[field.name]
        value = tuple(value) if isinstance(value, list) else value
        if not _fits(field.name, hints[field.name], value):
            raise unexpected(f"a sound {field.name} in {kind.__name__}", str(value)[:40])
        values[field.name] = value
    try:
        return kind(**values)
    except TypeError:
        raise unexpected(f"a whole {kind.__name__}", "one of which something is missing") from None


def _fits(name: str, hint: object, value: object) -> bool:
    if isinstance(value, bool):
        return hint is bool
    if isinstance(value, int):
        return hint in (int, int | None, float) and 0 <= value <= MOST_US
    if isinstance(value, str):
        return hint is str and len(value) <= (LONGEST_LONG if name in LONG_TEXTS else LONGEST_TEXT)
    if isinstance(value, float):
        return hint is float and 0 <= value <= 1e9
    if isinstance(value, tuple):
        whole = all(type(item) is int and abs(item) <= MOST_US for item in value)
        return hint == tuple[int, ...] and len(value) <= LONGEST_LIST and whole
    return value is None and hint == int | None
