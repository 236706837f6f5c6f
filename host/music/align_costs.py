"""What each way to read a played note costs: the prices that `align` weighs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fingering.moves import possible_strays
from fingering.notes import NOTES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from host.music.expectation import Expectation

    Row = NDArray[np.int16]

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
