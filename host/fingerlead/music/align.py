"""Played held notes against the expected ones: right, wrong, missed, extra, and where the player went back.

Question: of all ways to read the playing as a walk through the exercise, which needs the fewest excuses? A weighted
edit distance (Wagner and Fischer, 1974, "The string-to-string correction problem"), with jumps to another place at a
price. A jump starts from the likeliest state and ends on a note played right.

Conventions: *state* j means that j expected notes are done. One row of costs a held note, one column a state, int16,
each row's least cost taken off it. An exercise longer than WINDOW is looked at through a window around the player: a
jump reaches as far as the window does, and from its end such an exercise cannot be begun again.

Batch and live are one: `align` feeds an `Aligner` note by note.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingering.moves import possible_strays
from fingering.notes import NOTES
from fingerlead.music.tune import Expectation, Tune, expect
from fingerlead.timing.results import Held

Row = NDArray[np.int16]

Kind = Literal[
    "right", "wrong", "missed", "extra", "slow stray", "grace", "repeated", "restart", "again", "left out", "idle"
]
JUMPS = ("restart", "again", "left out")

WINDOW = 2048  # states looked at together: some twenty minutes of a tune that has no repeat
_SURE = 8  # the window follows when the player was near its edge for so many notes
_FAR = 10_000  # no walk costs as much
NEVER = 20_000  # dearer than any walk


class PlayedNote(NamedTuple):
    """A held note as alignment sees it."""

    note: int
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Costs:
    """What each reading costs, and when a note counts as short. Our own choice; whole numbers up to 1 000.

    A note may be a slow stray up to `stray_us`, a grace note played slowly up to `grace_us`; after a pause of
    `pause_us` with no note held a jump is `after_pause` cheaper. Going back more than `near` notes, other than to the
    very beginning, costs `far` more.
    """

    wrong: int = 4
    missed: int = 4
    extra: int = 4
    slow_stray: int = 2
    grace: int = 1
    repeated: int = 2
    back_to_bar: int = 5
    back: int = 7
    far: int = 3
    near: int = 16
    on_to_bar: int = 12
    again: int = 1
    after_pause: int = 2
    stray_us: int = 300_000
    grace_us: int = 250_000
    pause_us: int = 400_000


class Prices:
    """For each played note 0 to 8 the price of each step at each state; all int16."""

    def __init__(self, expectation: Expectation, costs: Costs) -> None:
        wanted = expectation.notes
        size = len(wanted)
        note = np.array([one.note for one in wanted])
        begins = np.array([one.begins_bar for one in wanted])
        begins[0] = True
        played = np.arange(len(NOTES))[:, None]
        same = played == note
        self.match = np.where(same, 0, costs.wrong).astype(np.int16)
        self.back = np.where(same, np.where(begins, costs.back_to_bar, costs.back), NEVER).astype(np.int16)
        self.on = np.where(same & begins, costs.on_to_bar, NEVER).astype(np.int16)
        self.extra_long = np.full((len(NOTES), size + 1), costs.extra, dtype=np.int16)
        self.extra_long[:, 1:][same] = min(costs.repeated, costs.extra)
        self.extra_stray = self.extra_long.copy()
        for state in range(1, size):
            for stray in possible_strays(wanted[state - 1].note, wanted[state].note):
                self.extra_stray[stray, state] = min(costs.slow_stray, costs.extra)
        self.extra_grace = self.extra_stray.copy()
        for state, one in enumerate(wanted):
            for grace in one.graces:
                self.extra_grace[grace, state] = min(costs.grace, costs.extra)

    def extra(self, played: PlayedNote, costs: Costs) -> Row:
        """The price of the note being no expected one, at each state."""
        held_us = played.end_us - played.start_us
        table = (
            self.extra_grace if held_us < costs.grace_us
            else self.extra_stray if held_us < costs.stray_us
            else self.extra_long
        )  # fmt: skip
        row: Row = table[played.note]
        return row


@dataclass(frozen=True, slots=True)
class Item:
    """One step of the walk. `expected` and `held` are indices, None where the step has none.

    `restart` (went back), `again` (from the end to the beginning) and `left out` (went on to a later bar) name the
    place that was gone to, and the held note with which playing went on there has its own item after them.
    """

    expected: int | None
    held: int | None
    kind: Kind


@dataclass(frozen=True, slots=True)
class Alignment:
    """The walk, what it costs, and how many expected notes were done when the playing ended."""

    items: tuple[Item, ...]
    cost: int
    reached: int


@dataclass(slots=True)
class _Step:
    """One row of the table: the costs after a note, where the window stood, and from where a jump could come."""

    played: PlayedNote
    low: int
    row: Row
    least: int  # taken off this row
    origin: int  # the likeliest state before the note
    discount: int


class Aligner:
    """Feed it held notes as they come; ask for the walk when needed."""

    def __init__(self, what: Tune | Sequence[int] | Expectation, costs: Costs = Costs()) -> None:
        self.expectation, self.costs = expect(what), costs
        self._prices = Prices(self.expectation, costs)
        self._size = len(self.expectation.notes)
        self._width = min(self._size + 1, WINDOW)
        self._ramp = (np.arange(self._width) * min(costs.missed, _FAR // self._width)).astype(np.int16)
        self._first: Row = self._ramp.copy()
        self._steps: list[_Step] = []
        self._low, self._row = 0, self._first
        self._cost = 0
        self._outside = 0  # how many notes in a row the player was near the window's edge
        # Added to the price of going back, by distance: the last entry is one note back.
        self._distance = np.full(self._width, costs.far, dtype=np.int16)
        self._distance[max(self._width - costs.near, 0) :] = 0

    def __len__(self) -> int:
        return len(self._steps)

    def feed(self, held: Held | PlayedNote) -> Item:
        """Take in a held note; returns how it reads so far. What comes later may change that: see `recent`."""
        played = PlayedNote(held.note, held.start_us, held.end_us)
        if not 0 <= played.note < len(NOTES):
            raise ValueError(f"expected a note from 0 to {len(NOTES) - 1}; got {played.note!r}")
        self._take(played)
        return self.recent(1)[-1]

    def take_back(self) -> None:
        """Undo the last `feed`."""
        self._cost -= self._steps.pop().least
        before = self._steps[-1] if self._steps else None
        self._low, self._row = (before.low, before.row) if before else (0, self._first)

    def recent(self, notes: int) -> list[Item]:
        """The last steps of the walk as it reads now, back to `notes` held notes ago."""
        return self._walk(max(len(self._steps) - notes, 0))[0]

    def done_before(self, notes: int) -> int:
        """How many expected notes were done `notes` held notes ago, as the walk reads now."""
        return self._walk(max(len(self._steps) - notes, 0))[2]

    def alignment(self) -> Alignment:
        """The whole walk as it reads now."""
        items, reached, _ = self._walk(0)
        return Alignment(tuple(items), self._cost, reached)

    def _take(self, played: PlayedNote) -> None:
        costs, prices, note = self.costs, self._prices, played.note
        before = self._row
        origin = self._likeliest(before)
        self._slide(origin)
        before, low = self._row, self._low
        states = slice(low, low + self._width - 1)
        here = origin - low
        paused = bool(self._steps) and played.start_us - self._steps[-1].played.end_us >= costs.pause_us
        # Leaving out the beginning is less likely than leaving out a part later on.
        discount = costs.after_pause if paused else 0 if self._steps else -1

        row = before + prices.extra(played, costs)[low : low + self._width]
        after = row[1:]
        np.minimum(after, before[:-1] + prices.match[note, states], out=after)
        jump = int(before[here]) - discount
        back = prices.back[note, low : low + here] + self._distance[self._width - here :]
        np.minimum(after[:here], back + np.int16(jump), out=after[:here])
        np.minimum(after[here:], prices.on[note, low + here : low + self._width - 1] + jump, out=after[here:])
        for place, price in self._to_beginning(note, origin, low):
            row[place + 1] = min(int(row[place + 1]), jump + price)
        row -= self._ramp
        np.minimum.accumulate(row, out=row)
        row += self._ramp
        least = int(row.min())
        row -= least
        np.minimum(row, _FAR, out=row)
        self._cost += least
        self._row = row
        self._steps.append(_Step(played, low, row, least, origin, discount))

    def _likeliest(self, row: Row) -> int:
        """The cheapest state; of equal ones the last, for a wrong note is likelier than an extra one."""
        return self._low + self._width - 1 - int(row[::-1].argmin())

    def _to_beginning(self, note: int, origin: int, low: int) -> list[tuple[int, int]]:
        """Expected notes that playing can begin anew with, and at what price.

        From the end it is cheap. Where the last note is also the first and nothing parts them, the first is already
        sounding then.
        """
        wanted, ended = self.expectation.notes, origin == self._size
        if low > 0 or not origin:
            return []
        price = self.costs.again if ended else self.costs.back_to_bar
        found = [(0, price)] if wanted[0].note == note else []
        if ended and self._size > 2 and wanted[0].note == wanted[-1].note and not wanted[0].graces:
            found += [(1, price)] if wanted[1].note == note else []
        return found

    def _slide(self, origin: int) -> None:
        """Keep the player within the middle of the window."""
        most = self._size + 1 - self._width
        here = origin - self._low
        self._outside = 0 if self._width // 4 <= here < self._width * 3 // 4 else self._outside + 1
        if self._outside < _SURE:
            return
        low = min(max(origin - self._width // 2, 0), most)
        # Near an end of the exercise the window cannot follow: it moves only where that brings it on by a quarter.
        if low == self._low or (abs(low - self._low) < self._width // 4 and low not in (0, most)):
            return
        self._outside = 0
        moved = np.full(self._width, _FAR, dtype=np.int16)
        by = low - self._low
        kept = self._row[max(by, 0) : self._width + min(by, 0)]
        moved[max(-by, 0) : max(-by, 0) + len(kept)] = kept
        self._low, self._row = low, moved

    # --- the walk back ---

    def _walk(self, begin: int) -> tuple[list[Item], int, int]:
        """The items from held note `begin` on, in order, the state that the walk ends in, and the one before them."""
        # What was not reached is not missed: the walk ends at the cheapest state, and of equal ones at the last.
        state = reached = self._likeliest(self._row)
        items: list[Item] = []
        for number in range(len(self._steps) - 1, begin - 1, -1):
            state = self._step_back(number, state, items)
        if begin == 0:
            items += [Item(index, None, "missed") for index in range(state - 1, -1, -1)]
        items.reverse()
        return items, reached, state

    def _step_back(self, number: int, state: int, items: list[Item]) -> int:
        """Add the items of one held note, last first, and return the state before it."""
        step = self._steps[number]
        low, note, costs = step.low, step.played.note, self.costs
        earlier = self._steps[number - 1] if number else None
        before_low, before = (earlier.low, earlier.row) if earlier else (0, self._first)
        prices, extra = self._prices, self._prices.extra(step.played, costs)

        def was(at: int) -> int:
            place = at - before_low
            inside = 0 <= place < self._width and 0 <= at - low < self._width
            return int(before[place]) if inside else _FAR

        while True:
            value = int(step.row[state - low]) + step.least
            if state > low:
                price = int(prices.match[note, state - 1])
                if price == 0 and value == was(state - 1):
                    items.append(Item(state - 1, number, "right"))
                    return state - 1
                jump = self._jump_to(state - 1, step, was(step.origin), value)
                if jump is not None:
                    items.append(Item(state - 1, number, "right"))
                    items.append(Item(state - 1, number, jump))
                    return step.origin
                if value == was(state - 1) + price:
                    items.append(Item(state - 1, number, "wrong"))
                    return state - 1
            if value == was(state) + int(extra[state]):
                items.append(Item(None, number, self._kind_of_extra(note, state, int(extra[state]))))
                return state
            if state == low:  # beyond the window all is equally far; nothing better is known
                items.append(Item(None, number, "extra"))
                return state
            items.append(Item(state - 1, None, "missed"))
            state -= 1

    def _jump_to(self, place: int, step: _Step, origin_cost: int, value: int) -> Kind | None:
        """The kind of jump that led to an expected note, None where none did."""
        note, origin = step.played.note, step.origin
        price = value - origin_cost + step.discount
        for beginning, beginning_price in self._to_beginning(note, origin, step.low):
            if beginning == place and price == beginning_price:
                return "again" if origin == self._size else "restart"
        if place >= origin:
            return "left out" if price == int(self._prices.on[note, place]) else None
        far = self.costs.far if origin - place > self.costs.near else 0
        return "restart" if price == int(self._prices.back[note, place]) + far else None

    def _kind_of_extra(self, note: int, state: int, price: int) -> Kind:
        wanted = self.expectation.notes
        if state and wanted[state - 1].note == note:
            return "repeated"
        if state < self._size and note in wanted[state].graces and price == min(self.costs.grace, self.costs.extra):
            return "grace"
        return "slow stray" if 0 < state < self._size and price < self.costs.extra else "extra"


def align(
    what: Tune | Sequence[int] | Expectation, held: Iterable[Held | PlayedNote], costs: Costs = Costs()
) -> Alignment:
    """The alignment of a whole playing."""
    aligner = Aligner(what, costs)
    for note in held:
        aligner._take(PlayedNote(note.note, note.start_us, note.end_us))
    return aligner.alignment()
