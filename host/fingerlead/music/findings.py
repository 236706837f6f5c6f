"""What was not as written, item by item of an alignment, in words.

The sentences are in a good teacher's tone: what happened, and which finger made it. `fingering.diagnosis` names the
finger of a slow stray, from the mask that stood longest.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from operator import attrgetter

import numpy as np

from fingering.diagnosis import Diagnosis, diagnose_mask
from fingering.holes import FINGERS, fingers_of
from fingering.moves import move
from fingering.notes import NOTES, E, F
from fingering.table import Table
from fingerlead.music.align import JUMPS, Item, Kind
from fingerlead.music.tune import Expectation, Wanted
from fingerlead.timing.results import Change, Held
from fingerlead.wire.events import Doubt

# A finger away for less has hardly moved: half an ordinary grace note (our own choice).
SLIP_US = 10_000


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was not as written.

    `expected` and `held` are indices; `note` was wanted there, `played` was held. `change` are the two notes between
    which it happened. `gist` is the sentence without its place. An `uncertain` one is shown and never counted.
    """

    kind: Kind
    expected: int | None
    held: int | None
    note: int | None
    played: int | None
    change: tuple[int, int] | None
    finger: int | None
    start_us: int
    duration_us: int | None
    bar: int | None
    gist: str
    uncertain: bool = False

    @property
    def words(self) -> str:
        """The sentence with its place."""
        return self.gist if self.bar is None else f"Bar {self.bar}: {self.gist}"


class FindingReader:
    """Goes through the items in order, and knows which expected note was done last."""

    def __init__(
        self,
        expectation: Expectation,
        held: Sequence[Held],
        changes: Sequence[Change],
        doubts: Sequence[Doubt],
        table: Table,
        done: int = 0,
    ) -> None:
        self.findings: list[Finding] = []
        self._wanted, self._held, self._table = expectation.notes, held, table
        self._starts = np.array([note.start_us for note in held], dtype=np.int64)
        spans = sorted((doubt.start_us, doubt.end_us) for doubt in doubts)
        self._doubts_start = [start_us for start_us, _ in spans]
        self._doubts_end = list(accumulate((end_us for _, end_us in spans), max))
        self._left = [self._held_before(change) for change in changes]
        self._changes = dict(zip(self._left, changes, strict=True))  # by the held note that each leaves
        self._next = done  # the expected note to be done next
        self._last = -1  # the held note before
        self._last_right = False
        self._after = [0] * len(held)  # per held note: what was to be done next when it was over
        self._jumped = [False] * len(held)
        self._idle: dict[int, int] = {}  # finger out of place: its finding's place in the list

    def read_all(self, items: Sequence[Item]) -> tuple[list[Finding], list[tuple[int, int] | None]]:
        """The findings in order of time, and for each change what it should have been."""
        for item in items:
            self._read(item)
        wanted = self._wanted_changes()
        return sorted([*self.findings, *self._slips(wanted)], key=attrgetter("start_us")), wanted

    def _read(self, item: Item) -> None:
        if item.kind in JUMPS:
            self._jump(item)
        elif item.kind == "missed":
            self._miss(item)
        else:
            self._play(item)

    def _at(self, index: int) -> Wanted | None:
        return self._wanted[index] if 0 <= index < len(self._wanted) else None

    def _change(self) -> tuple[int, int] | None:
        """The two expected notes that the player is between."""
        this, after = self._at(self._next - 1), self._at(self._next)
        return None if this is None or after is None or this.note == after.note else (this.note, after.note)

    def _jump(self, item: Item) -> None:
        assert item.held is not None
        assert item.expected is not None
        self._jumped[item.held] = True
        if item.kind != "again":
            gist = _jump_gist(item, self._at(self._next - 1), self._wanted[item.expected])
            self._find(item, gist=gist, between=(self._last, item.held))
        self._next = item.expected
        self._idle.clear()

    def _miss(self, item: Item) -> None:
        assert item.expected is not None
        note = self._wanted[item.expected].note
        gist = f"{NOTES[note]} was left out."
        self._find(item, note=note, gist=gist, change=self._change(), between=(self._last, self._last + 1))
        self._next = item.expected + 1

    def _play(self, item: Item) -> None:
        assert item.held is not None
        held = self._held[item.held]
        if item.kind == "right":
            assert item.expected is not None
            self._look_for_idle(item, held, self._wanted[item.expected].note)
            self._next = item.expected + 1
        elif item.kind == "wrong":
            assert item.expected is not None
            note = self._wanted[item.expected].note
            gist = f"{NOTES[held.note]} instead of {NOTES[note]}."
            self._find(item, note=note, gist=gist, change=self._change())
            self._next = item.expected + 1
        elif item.kind == "slow stray":
            change = self._change()
            assert change is not None
            found = diagnose_mask(*change, self._longest_mask(item.held), self._table)
            gist = _stray_gist(change, held.note, found)
            self._find(item, gist=gist, change=change, finger=None if found is None else found.finger)
        elif item.kind != "grace":
            again = item.kind == "repeated"
            gist = f"{NOTES[held.note]} twice." if again else f"A{_a_note(held.note)[1:]} that is not written."
            self._find(item, gist=gist, change=self._change())
        self._last, self._last_right = item.held, item.kind == "right"
        self._after[item.held] = self._next

    def _longest_mask(self, number: int) -> int:
        """The mask that stood longest while a note was held.

        Not its settled mask: a finger that puts the fingering right at the last moment hides who was out of turn.
        """
        held = self._held[number]
        edges = {held.start_us: held.covered_mask}
        for before in (number - 1, number):
            change = self._changes.get(before)
            if change is not None:
                edges.update((at_us, mask) for at_us, mask in change.edges if held.start_us <= at_us < held.end_us)
        times_us = [*sorted(edges), held.end_us]
        lasted: Counter[int] = Counter()
        for at_us, until_us in pairwise(times_us):
            lasted[edges[at_us]] += until_us - at_us
        return lasted.most_common(1)[0][0]

    def _look_for_idle(self, item: Item, held: Held, note: int) -> None:
        """A finger that the change did not ask for, out of place from here on though it was in place before."""
        wrong = held.covered_mask ^ self._table.standard[note]
        self._idle = {finger: place for finger, place in self._idle.items() if wrong >> finger & 1}
        for place in self._idle.values():
            begun = self.findings[place]
            self.findings[place] = replace(begun, duration_us=held.end_us - begun.start_us)
        before = self._at(self._next - 1)
        if not wrong or before is None or not self._last_right or self._jumped[self._last + 1]:
            return
        asked = self._table.standard[before.note] ^ self._table.standard[note]
        was_wrong = self._held[self._last].covered_mask ^ self._table.standard[before.note]
        for finger in fingers_of(wrong & ~asked & ~was_wrong & 0xFF):
            did = "came down and stayed down" if held.covered_mask >> finger & 1 else "came off its hole and stayed off"
            self._idle[finger] = len(self.findings)
            gist = f"{_between((before.note, note))} {_the_finger(finger)} takes no part, but it {did}."
            self._find(replace(item, kind="idle"), note=note, gist=gist, change=(before.note, note), finger=finger)

    def _find(
        self,
        item: Item,
        *,
        gist: str,
        note: int | None = None,
        change: tuple[int, int] | None = None,
        finger: int | None = None,
        between: tuple[int, int] | None = None,
    ) -> None:
        """Add a finding, uncertain if a doubt touches the notes `between`, or else the gaps around the one held."""
        held = None if item.held is None else self._held[item.held]
        at = self._at(self._next if item.expected is None else item.expected) or self._at(self._next - 1)
        bar = None if at is None or item.kind in JUMPS else at.bar
        if between is not None:
            uncertain = self._doubted(self._edge(between[0], True), self._edge(between[1], False))
        else:
            assert item.held is not None
            uncertain = self._doubted(self._edge(item.held - 1, False), self._edge(item.held + 1, True))
        start_us = held.start_us if held else self._edge(self._last, False)
        self.findings.append(
            Finding(
                item.kind, item.expected, item.held, note, None if held is None else held.note, change, finger,
                start_us, None if held is None else held.end_us - held.start_us, bar, gist, uncertain,
            )
        )  # fmt: skip

    def _edge(self, number: int, start: bool) -> int:
        """Where a held note starts or ends; the beginning and the end of the playing where there is none."""
        if not self._held or number < 0:
            return 0
        if number >= len(self._held):
            return self._held[-1].end_us
        return self._held[number].start_us if start else self._held[number].end_us

    def _doubted(self, start_us: int, end_us: int) -> bool:
        begun = bisect_right(self._doubts_start, end_us)
        return begun > 0 and self._doubts_end[begun - 1] >= start_us

    # --- changes ---

    def _held_before(self, change: Change) -> int:
        """The held note that a change leaves."""
        reached_us = change.edges[-1][0] if change.edges else change.end_us
        return int(np.searchsorted(self._starts, reached_us, side="right")) - 2

    def _wanted_changes(self) -> list[tuple[int, int] | None]:
        """For each change what it should have been."""
        pairs: list[tuple[int, int] | None] = []
        for number in self._left:
            if not 0 <= number < len(self._held) - 1 or self._jumped[number + 1]:
                pairs.append(None)
                continue
            self._next = self._after[number]
            pairs.append(self._change())
        return pairs

    def _slips(self, wanted: Sequence[tuple[int, int] | None]) -> list[Finding]:
        """Fingers that moved and came back within a change that does not ask for them and has no grace notes."""
        found = []
        for number, pair in zip(self._left, wanted, strict=True):
            change = self._changes[number]
            if pair is None or not change.slips or change.verdict == "uncertain":
                continue
            expected = self._after[number]
            if self._wanted[expected].graces:
                continue
            for slip in change.slips:
                if slip.duration_us >= SLIP_US and slip.finger not in move(*pair, self._table).fingers:
                    did = "lifted" if change.from_mask >> slip.finger & 1 else "came down"
                    gist = f"{_between(pair)} {_the_finger(slip.finger)} takes no part, but it {did} for a moment."
                    found.append(
                        Finding(
                            "idle", expected, number + 1, pair[1], None, pair, slip.finger, slip.start_us,
                            slip.duration_us, self._wanted[expected].bar, gist,
                        )
                    )  # fmt: skip
        return found


def _a_note(note: int) -> str:
    """`a low A`, `an E`."""
    return f"{'an' if note in (E, F) else 'a'} {NOTES[note]}"


def _the_finger(finger: int) -> str:
    """`the thumb`, `the bottom little finger`."""
    return "the thumb" if finger == 0 else f"the {FINGERS[finger]} finger"


def _between(change: tuple[int, int]) -> str:
    return f"From {NOTES[change[0]]} to {NOTES[change[1]]}"


def _jump_gist(item: Item, here: Wanted | None, there: Wanted) -> str:
    """The player went from one expected note to another."""
    name, bar = NOTES[there.note], there.bar
    if item.kind == "left out":
        return f"{'You began' if here is None else 'You went on'} with {name}{'' if bar is None else f' in bar {bar}'}."
    if bar is None or here is None or here.bar is None:
        return f"You stopped and went back to {name}."
    if here.bar == bar:
        return f"You stopped in bar {bar} and took it up again from {name}."
    return f"You stopped in bar {here.bar} and went back to {name} in bar {bar}."


def _stray_gist(change: tuple[int, int], played: int, found: Diagnosis | None) -> str:
    """A slow stray note, and the finger that made it."""
    sounded = f"{_a_note(played)} sounded"
    if found is None:
        return f"{_between(change)} {sounded} in between."
    finger = f"{_between(change)} {_the_finger(found.finger)}"
    if found.how == "idle":
        return f"{finger} takes no part, but it moved: {sounded}."
    others = _the_finger(found.others[0]) if len(found.others) == 1 else "the others"
    return f"{finger} {'went before' if found.how == 'early' else 'came after'} {others}: {sounded}."
