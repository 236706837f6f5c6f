"""What may be asked of the practice actor. A request is carried out between two items of a chanter."""

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, Literal

from fingering.orders import Order
from fingerlead.listening.recording import Recording
from fingerlead.music.tune import Tune
from fingerlead.practice.tonight import OnStaff


@dataclass(frozen=True, slots=True)
class Listen:
    """Listen to another chanter: `sim`, `page`, a port as `open_source` knows them, or "" for none.

    For the command line alone: what `open_source` opens reaches files and the network. A page asks with `Choose`.
    """

    to: str


@dataclass(frozen=True, slots=True)
class Choose:
    """Listen to one of what is offered: `sim`, `page`, a port that was found or named before, or "" for none."""

    to: str


@dataclass(frozen=True, slots=True)
class ChooseRung:
    """Practise a rung or an easy tune, by its key."""

    key: str


@dataclass(frozen=True, slots=True)
class PlayOwn:
    """Practise a tune of the player's own: `answer` gets the key that it has from now on, or why it is refused."""

    music: OnStaff
    answer: Future[str] = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class TakeOff:
    """Offer a tune of the player's own no more; what was played of it stays."""

    key: str


@dataclass(frozen=True, slots=True)
class PutBack:
    """Offer a tune again that was taken off, as long as the program runs."""

    key: str


@dataclass(frozen=True, slots=True)
class Shown:
    """The music on the staff, and at which tempo it would be played now: `answer` gets (tune, bpm or None)."""

    answer: Future[tuple[Tune, float | None]] = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class GoNext:
    """From the rung with this key to the next, where it is the one that is practised, and is passed."""

    key: str


@dataclass(frozen=True, slots=True)
class GoOn:
    """From the rung with this key to the next, where it is the one that is practised: it is marked not yet clean."""

    key: str


@dataclass(frozen=True, slots=True)
class PlayOn:
    """After the end of a session: listen again to what was listened to last, where that is still there."""


@dataclass(frozen=True, slots=True)
class BeginTonight:
    """Begin Tonight's ten minutes."""


@dataclass(frozen=True, slots=True)
class BeginAgain:
    """From the first note of the music."""


@dataclass(frozen=True, slots=True)
class PlayInTime:
    """Let the tune on the staff go by in time, from its beginning; not `on`: let it wait for the player again."""

    on: bool = True


@dataclass(frozen=True, slots=True)
class HandOnTop:
    """Which hand is the upper one."""

    hand: Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class OrderRungs:
    """Climb the ladder in an order from now on."""

    order: Order


@dataclass(frozen=True, slots=True)
class SetSound:
    """How it sounds; None leaves a thing as it is. `where` "page": the page makes the sound."""

    where: Literal["host", "page", "nowhere"] | None = None
    device: str | None = None
    level_db: float | None = None
    voice: str | None = None
    low_a_hz: float | None = None
    scale: str | None = None
    drones: bool | None = None
    false_cents: float | None = None
    delay_ms: float | None = None


@dataclass(frozen=True, slots=True)
class SoundChanged:
    """An output was lost, or is back."""


@dataclass(frozen=True, slots=True)
class SetMetronome:
    """The metronome; None leaves a thing as it is."""

    on: bool | None = None
    bpm: float | None = None
    beats: int | None = None
    subdivision: int | None = None


@dataclass(frozen=True, slots=True)
class Tap:
    """A tap to a click, for measuring the loop from finger to ear; it arrived at `host_us`."""

    host_us: int


@dataclass(frozen=True, slots=True)
class PageBeat:
    """A page that sounds by itself lets a beat be heard at `host_us`."""

    host_us: int


@dataclass(frozen=True, slots=True)
class KeyboardHolds:
    """How many keys at once the page's keyboard was seen to hold: it goes into the session beside what was played."""

    count: int


@dataclass(frozen=True, slots=True)
class Finish:
    """End the session: keep it, and sum it up."""


@dataclass(frozen=True, slots=True)
class CopySession:
    """Have the next session go to `begin` before anything comes into it; what is listened to now begins one at once.

    `over` is called when it has ended.
    """

    begin: Callable[[Recording], object]
    over: Callable[[], object]


@dataclass(frozen=True, slots=True)
class EndCopy:
    """End the session that is copied, and go on in another."""


@dataclass(frozen=True, slots=True)
class Engraved:
    """The staff of the music with this name has been engraved, or why it was not."""

    name: str
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Replay:
    """What was played, to be heard again: one take by its number, or the last phrase (`number` None).

    `answer` gets (edges, end_us), or None where there is none.
    """

    number: int | None
    mended: bool = False
    answer: Future[tuple[tuple[tuple[int, int], ...], int] | None] = field(default_factory=Future)


@dataclass(frozen=True, slots=True)
class Sounds:
    """How it sounds now, for a page that makes the sound by itself: `answer` gets the settings."""

    answer: Future[dict[str, Any]] = field(default_factory=Future)


Request = (
    Listen
    | Choose
    | ChooseRung
    | PlayOwn
    | TakeOff
    | PutBack
    | Shown
    | GoNext
    | GoOn
    | PlayOn
    | BeginTonight
    | BeginAgain
    | PlayInTime
    | HandOnTop
    | OrderRungs
    | SetSound
    | SoundChanged
    | SetMetronome
    | Tap
    | PageBeat
    | KeyboardHolds
    | Finish
    | CopySession
    | EndCopy
    | Engraved
    | Replay
    | Sounds
)
