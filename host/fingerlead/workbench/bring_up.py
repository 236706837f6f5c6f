"""Bringing up a new board, hole by hole: each is covered alone in turn, and the one that answers is noted.

Sans-IO. A hole answers when it alone is covered for a moment and then open again.
"""

from fingering.holes import FINGERS, HOLES
from fingerlead.wire.carriers import Framing
from fingerlead.wire.events import State
from fingerlead.workbench.selftest import Trial
from fingerlead.workbench.talk import Dialogue, Talk

HELD_US = 150_000
PATIENCE_US = 20_000_000


class BringUp(Talk):
    """`hole` is the one asked for, None when all were; `answered[i]` the one that answered for i, None for none."""

    def __init__(self, carrier: Framing) -> None:
        super().__init__(carrier)
        self.hole: int | None = 0
        self.answered: list[int | None] = []
        self._mask = 0
        self._always = 0xFF  # covered in every state so far
        self._since_us = 0
        self._seen = False
        self._candidate: int | None = None
        self._began_us = 0

    def talk(self) -> Dialogue:
        """Ask for each hole in turn; the chanter itself is asked nothing."""
        self._ask_for(0)
        while self.hole is not None:
            for event in (yield b""):
                if isinstance(event, State):
                    self._seen = True
                    self._state(event.t_us, event.covered_mask)
            if self.now_us - self._began_us > PATIENCE_US:
                self._note(None)

    def trials(self) -> list[Trial]:
        """What was found so far, hole by hole."""
        return [self._trial(asked, answered) for asked, answered in enumerate(self.answered)]

    def _trial(self, asked: int, answered: int | None) -> Trial:
        name = FINGERS[asked]
        if answered == asked:
            return Trial(name, "good", "it answers")
        if answered is not None:
            told = f"the {FINGERS[answered]} answered: swap their wires, or their channels in the firmware"
        elif self._seen and self._always >> asked & 1:
            told = "it was covered all the time: look for a short, dirt on the sensor, or a level too low"
        else:
            told = "nothing answered: look at its sensor and wire, or calibrate first, as its level may be too high"
        return Trial(name, "bad", told)

    def _state(self, t_us: int, mask: int) -> None:
        # A hole that never opens must not hide the others.
        self._always &= mask
        mask &= ~self._always
        if mask != self._mask:
            if mask == 0 and self._candidate is not None:
                self._note(self._candidate)
            self._mask, self._since_us, self._candidate = mask, t_us, None
        if mask.bit_count() == 1 and t_us - self._since_us >= HELD_US:
            self._candidate = mask.bit_length() - 1
            self.asks = ("open", None)

    def _note(self, answered: int | None) -> None:
        if len(self.answered) < HOLES:
            self.answered.append(answered)
            self._ask_for(len(self.answered))

    def _ask_for(self, hole: int) -> None:
        self.hole = hole if hole < HOLES else None
        self.asks = ("covered", hole) if hole < HOLES else None
        self._began_us, self._candidate = self.now_us, None
