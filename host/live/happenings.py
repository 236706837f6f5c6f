"""What the loop thread tells whoever faces it, in the order in which it happens."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from host.live.practice_events import Event, Snapshot, Summary
    from host.ports.find import Found
    from host.timing.results import FingeringKind, Timing

Place = Literal["none", "waiting", "here", "away", "refused"]
Origin = Literal["port", "simulated", "page"]


@dataclass(frozen=True, slots=True)
class ChanterNow:
    """Who is listened to, and how that goes. `cause` says why it is away or was refused; `found` could be chosen."""

    place: Place
    origin: Origin | None
    name: str
    cause: str
    timing: Timing | None
    kept: bool
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class HolesNow:
    """The holes at `t_us`. `note` is None with the hands off."""

    covered_mask: int
    note: int | None
    fingering: FingeringKind
    t_us: int


@dataclass(frozen=True, slots=True)
class Practised:
    """Something that the practice makes of the playing: one of its events."""

    event: Event


@dataclass(frozen=True, slots=True)
class MusicNow:
    """Another piece of music; `anew` where somebody else plays it. Everything about the practice may be different."""

    snapshot: Snapshot
    anew: bool = False


@dataclass(frozen=True, slots=True)
class SoundNow:
    """How it sounds."""

    settings: dict[str, Any]


@dataclass(frozen=True, slots=True)
class MetronomeNow:
    """The metronome."""

    settings: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RestDue:
    """It has been played for so long that hands and ears want a rest."""

    played_us: int


@dataclass(frozen=True, slots=True)
class HandNow:
    """Which hand is on top."""

    hand: Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class StaffNow:
    """The staff of the music with this name is engraved, or why it was not."""

    name: str
    svg: str | None
    why_not: str


@dataclass(frozen=True, slots=True)
class Remark:
    """A notice in words."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Over:
    """A sitting is over; `session` is where it was kept."""

    summary: Summary
    session: Path | None
    played_us: int


Happening = (
    ChanterNow
    | HolesNow
    | Practised
    | MusicNow
    | SoundNow
    | MetronomeNow
    | RestDue
    | HandNow
    | StaffNow
    | Remark
    | Over
)
