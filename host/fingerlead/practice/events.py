"""What the practice actor says happened, in order; and what can be asked of a practice at any time.

Structured data only: the words are the faces' business. Notes are 0 to 8, times integer µs on the chanter's clock.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from fingering.diagnosis import Diagnosis
from fingering.orders import Order
from fingering.rungs import Group
from fingerlead.music.tune import Tune
from fingerlead.ports.base import Found
from fingerlead.practice.course import CourseNow
from fingerlead.practice.state import Place
from fingerlead.store.practice_log import State, Week
from fingerlead.timing.playthrough import Playthrough
from fingerlead.timing.results import Change, FingeringKind, PlayedMovement, Timing

# How one turn of a change, or of an embellishment, ended.
Outcome = Literal[
    "clean", "stray", "apart", "false fingering", "not as written", "too slow", "off the beat", "not counted"
]
# What a full row brings: `passed` on the first day, `confirmed` when the rung comes back on another day.
PassKind = Literal["passed", "confirmed"]
# How a try at a note alone ended: `uncertain` ones neither count nor break the row, only `held` ones count.
HoldEnd = Literal["held", "not sealed", "opened", "loosened", "let go", "uncertain"]
Edges = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Lit:
    """The note to play next: its `index` in the order of playing, where it is written, and the note.

    `place` is (index of the bar, index of the note in it) in the tune.
    """

    index: int
    place: tuple[int, int] | None
    note: int


@dataclass(frozen=True, slots=True)
class Judged:
    """A change as it went.

    `diagnosis` is given only where obeying it, in simulation, takes every heard stray away. `take` is the number to ask
    `Practice.take` for. `again` where the same take was judged before and is something else after all, perhaps between
    other notes: what was said of it no longer holds. `off_beat_us` is how far after a beat that is heard its second
    note began, or (negative) before it, where that is further than asked; `outcome` is that of the fingers alone.
    """

    change: Change
    timing: Timing
    diagnosis: Diagnosis | None
    take: int
    again: bool
    outcome: Outcome
    off_beat_us: int | None = None


@dataclass(frozen=True, slots=True)
class TakenBack:
    """There was no such change after all: what was said of a take no longer holds."""

    take: int


@dataclass(frozen=True, slots=True)
class HoldJudged:
    """A try at a note alone, held for `held_us`. `fingers` are open at its end, or loosened."""

    note: int
    end: HoldEnd
    fingers: tuple[int, ...]
    held_us: int


@dataclass(frozen=True, slots=True)
class MovementJudged:
    """An embellishment that a rung is of, as it went; its notes may be `slowest` times as long as skilled ones."""

    played: PlayedMovement
    slowest: float | None
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Holding:
    """How long a note alone has been held by now, of `needed_us`; 0 where it is not held, or not since hands off."""

    held_us: int
    needed_us: int


@dataclass(frozen=True, slots=True)
class GoingOn:
    """How long the low A that goes on to the next rung has been held by now, of `needed_us`; 0 where it is not held."""

    held_us: int
    needed_us: int


@dataclass(frozen=True, slots=True)
class NextRung:
    """The rung to go on to; `number` is that of `number_of`."""

    key: str
    name: str
    number: int | None


@dataclass(frozen=True, slots=True)
class WentOn:
    """From a rung to the next one, which is on the staff now."""

    rung_key: str


@dataclass(frozen=True, slots=True)
class Progressed:
    """How many clean changes in a row, out and back (None where there is one row alone, which counts in `out`).

    `needed` is 0 where nothing is counted (a tune, Tonight). `again`: it was passed on another day and has come back.
    `passed`: nothing more to do here today. `unclean`: it was left while it was not yet clean, and is not passed yet.
    `first` are the names of rungs to pass before anything counts. `next` is where it goes on, if anywhere.
    """

    out: int
    back: int | None
    needed: int
    again: bool
    passed: bool
    unclean: bool
    first: tuple[str, ...] = ()
    next: NextRung | None = None


@dataclass(frozen=True, slots=True)
class Passed:
    """A row was full."""

    rung_key: str
    what: PassKind


@dataclass(frozen=True, slots=True)
class TonightItem:
    """One turn of Tonight: a pair of notes out and back a few times, or a note alone, or a rest (no notes).

    Or the music of a rung of embellishments, by its key `rung`; `notes` is its row then.
    `weak` are the directed changes for whose sake it comes. `unclean`: of a rung that was left while not yet clean.
    """

    name: str
    notes: tuple[int, ...]
    weak: tuple[tuple[int, ...], ...]
    rest: bool = False
    unclean: bool = False
    rung: str = ""


@dataclass(frozen=True, slots=True)
class TonightTurn:
    """What comes next tonight; `item` None when the ten minutes are over.

    `too_little`: there was too little history, so it is made from the present rung and those passed.
    """

    item: TonightItem | None
    number: int
    left_us: int
    too_little: bool


@dataclass(frozen=True, slots=True)
class InTime:
    """Where a tune is that goes by in time; None where none does any more. `silent`: no beat is heard."""

    now: CourseNow | None
    silent: bool = False


@dataclass(frozen=True, slots=True)
class PlayedInTime:
    """How a tune was played that went by in time; `next` is the rung of its place to work on, if any.

    `aside` are the embellishments in it that came early or late, the worst first, with that fault.
    """

    played: Playthrough
    next: NextRung | None
    aside: tuple[PlayedMovement, ...] = ()


@dataclass(frozen=True, slots=True)
class Due:
    """What was passed before and is to be confirmed today: keys of rungs."""

    rungs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Take:
    """A stretch of playing to hear again: `edges` up to `end_us`, the first one the mask with which it begins.

    `mended_edges` are those of the same take with only one finger's edge moved; None where there is no diagnosis.
    """

    edges: Edges
    end_us: int
    mended_edges: Edges | None = None


@dataclass(frozen=True, slots=True)
class LadderRung:
    """One rung as the ladder on the page shows it; `tunes` are the keys and titles of those that it opens.

    `number` is that of `number_of`.
    """

    key: str
    name: str
    group: Group
    state: State
    tunes: tuple[tuple[str, str], ...] = ()
    number: int | None = None


@dataclass(frozen=True, slots=True)
class TuneOffer:
    """A tune to choose; `opened` where every rung that makes it playable is passed, as a player's `own` always is."""

    key: str
    name: str
    opened: bool
    own: bool = False


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that a page needs when it joins in the middle.

    `key` is that of the rung or easy tune, None in Tonight. `number` is that of `number_of` (None for a tune or Tonight
    too). `tune` is the music on the staff. `help` holds for each note 0 to 8 what help reading it still needs: 2 letter
    and fingering picture, 1 letter, 0 nothing. `next_key` is the rung to go on with: due, or the lowest that is open.
    `together_us` is how close together the fingers are to move, None where no change is asked for.
    """

    key: str | None
    name: str
    number: int | None
    of: int
    trains: str
    passed_text: str
    tune: Tune
    is_tune: bool
    notes: tuple[tuple[int, tuple[int, int] | None], ...]  # in order of playing: the note, and where it is written
    graces: tuple[tuple[int, ...], ...]  # before each of them
    lit: Lit
    progressed: Progressed
    help: tuple[int, ...]
    ladder: tuple[LadderRung, ...]
    due: tuple[str, ...]
    turn: TonightTurn | None
    tunes: tuple[TuneOffer, ...]
    week: Week
    next_key: str | None
    together_us: int | None
    can_go_by: bool = False  # whether it is a tune that can go by in time


@dataclass(frozen=True, slots=True)
class ChangeCount:
    """How one directed change went in this session."""

    from_note: int
    to_note: int
    tried: int
    clean: int
    stray: int
    apart: int


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """What a session brought. `playing_us` is the time in which a note sounded; `played` are keys of rungs and tunes.

    `worth_work` is the change that went wrong most, None where too little was played to say. `left` are the names of
    rungs from which the learner went on, `tomorrow` is the rung to begin with, and whether it comes back then.
    """

    playing_us: int
    changes: tuple[ChangeCount, ...]
    played: tuple[str, ...]
    passed: tuple[Passed, ...]
    worth_work: ChangeCount | None
    kept: bool
    left: tuple[str, ...] = ()
    tomorrow: tuple[str, bool] | None = None


Origin = Literal["port", "simulated", "page"]


@dataclass(frozen=True, slots=True)
class ChanterNow:
    """The chanter that is listened to, and how that goes.

    `cause` says why it is away or was refused; `found` is what is plugged in and can be chosen.
    """

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
class MusicNow:
    """Another piece of music; `anew` for another chanter. Everything about the practice may be different."""

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
    """Hands and ears want a rest after so much playing."""

    played_us: int


@dataclass(frozen=True, slots=True)
class HandNow:
    """Which hand is on top."""

    hand: Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class OrderNow:
    """In which order the ladder is climbed."""

    order: Order


@dataclass(frozen=True, slots=True)
class StaffNow:
    """The staff of the music with this name is engraved, or why it was not."""

    name: str
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence for the player."""

    sentence: str


@dataclass(frozen=True, slots=True)
class UprightNow:
    """Whether the chanter seems to be held upside down from now on."""

    seems_turned: bool


@dataclass(frozen=True, slots=True)
class KeepingNow:
    """Whether what is played is being kept: `why` it cannot be written `where`, empty where it can.

    It is held in memory until it can; `losing` where there is no more memory for it. `lost_us` is how much playing was
    lost until it could.
    """

    why: str
    where: str
    losing: bool
    lost_us: int


@dataclass(frozen=True, slots=True)
class Over:
    """A session is over; `session` is its file, None where it is not kept.

    `lost_us` of its playing is lost, `held_us` is not written yet. The practice log does not know the last `log_us`.
    """

    summary: SessionSummary
    session: Path | None
    played_us: int
    lost_us: int = 0
    held_us: int = 0
    log_us: int = 0


Event = (
    Lit
    | Judged
    | TakenBack
    | HoldJudged
    | MovementJudged
    | Progressed
    | Holding
    | GoingOn
    | WentOn
    | Passed
    | TonightTurn
    | InTime
    | PlayedInTime
    | Due
    | ChanterNow
    | HolesNow
    | MusicNow
    | SoundNow
    | MetronomeNow
    | RestDue
    | HandNow
    | OrderNow
    | StaffNow
    | Notice
    | UprightNow
    | KeepingNow
    | Over
)
