"""A calibration led step by step: it asks for each hole, watches raw samples until the step is done, and holds on.

    asked ──done, held still──► taken ──► the next step
      │ ▲
      │ └──not done: what was seen, and asked again, up to three times
      └──still not done──► left out: nothing that needs it is judged ──► the next step

Pure: fed samples and their own times, it knows no link and no clock. Where the chanter was away, `resume` goes on with
the step at hand. Only what belongs to steps that were done is in what was `taken`.
"""

from bisect import bisect_left
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, HOLES
from fingerlead.workbench.evidence import (
    COVERED,
    FEW,
    LYING,
    OPEN,
    StepSeen,
    again_words,
    is_hand_moved,
    named,
    see,
    wires_are_swapped,
)
from fingerlead.workbench.samples import PLAN, Kind, Span, Taken

STILL_US = 400_000
HOLD_US = 900_000
FIRST_HOLD_US = 1_800_000
TAIL_US = 150_000  # of what was held: there a finger may have gone already, unseen
# How long a finger is waited for, at the first asking and when it is asked again.
PATIENCE_US: dict[Kind, tuple[int, int]] = {
    "open": (8_000_000, 6_000_000),
    "covered": (10_000_000, 7_000_000),
    "half": (6_000_000, 5_000_000),
    "all": (12_000_000, 6_000_000),
    "scale": (25_000_000, 20_000_000),
}
REPEATS = 3
GIVEN_UP = 2  # after so many steps of a kind in a row were left out, each further one is asked for once
RESTARTS = 3
LEAST_US = 300_000  # no finger is quicker
WRONG_US = 1_500_000  # so long something else than what was asked has to last
PARTLY_US = 2_000_000  # before the last asking ends: from here on what can be used in part is taken
BACK_US = 700_000  # low G at the end of a scale
AWAY_US = 1_000_000  # what a chanter's absence counts in its samples' times
LOOK_US = 60_000
MOVED = 0.06  # of full scale


def ask_words(kind: Kind, hole: int | None) -> str:
    """What the player is asked to do."""
    finger = "" if hole is None else FINGERS[hole]
    return {
        "open": "Take all fingers off.",
        "covered": f"Cover only the hole of the {finger}, as firmly as you play.",
        "half": f"Move the {finger} aside until half of its hole is open.",
        "all": "Play low G: cover all holes.",
        "scale": "Play the scale slowly up from low G to high A and down again, and stay on low G.",
    }[kind]


MISSING: dict[Kind, str] = {
    "open": "At the end the holes were not seen open: whether they read as at the beginning is not known.",
    "all": "Low G was not seen.",
    "scale": "The scale was not seen: how lightly your fingers cover as you play, and how quick the sensors are, "
    "is not known.",
}


def _they(holes: list[int]) -> str:
    return "it reads" if len(holes) == 1 else "they read"


class Guidance:
    """Asks for the steps of PLAN one after the other.

    `number` is the one at hand, `words` what the player is asked to do now, `tries` how often it was asked for before,
    `left_out` those that were not done, `latest` the last raw samples.
    """

    def __init__(self, full_scale: int) -> None:
        self.full_scale = full_scale
        self.number = 0
        self.words = ask_words(*PLAN[0])
        self.tries = 0
        self.latest: tuple[int, ...] | None = None
        self.left_out: list[int] = []
        self._restarts = 0
        self._times: list[int] = []
        self._rows: list[tuple[int, ...]] = []
        self._shift_us: int | None = 0  # from the chanter's clock to `_times`; None until its next sample
        self._asked = 0
        self._held: int | None = None
        self._wrong_us: int | None = None  # since when something else is done
        self._looked_us = 0
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._spans: list[Span] = []
        self._open: NDArray[np.float64] = np.zeros(HOLES)
        self._swing: NDArray[np.float64] = np.zeros(HOLES)  # 0 where it has not answered
        self._instead: dict[int, Span] = {}  # a hole's own step, where another answered
        self._instead_of: dict[int, int] = {}  # which one
        self._seen_covered = np.zeros(HOLES, dtype=bool)
        self._seen_open = np.zeros(HOLES, dtype=bool)

    @property
    def done(self) -> bool:
        """Whether all steps were taken or left out."""
        return self.number >= len(PLAN)

    @property
    def holding(self) -> bool:
        """Whether the finger is there, and is to stay."""
        return self._held is not None

    @property
    def missing(self) -> list[str]:
        """What was not seen, and what is not known for that, in sentences; empty where all was."""
        swapped = [span.hole for span in self._swapped()]
        left_out = [PLAN[step] for step in self.left_out]
        alone, half = (
            [hole for kind, hole in left_out if kind == one and hole is not None] for one in ("covered", "half")
        )
        others = [hole for hole in alone if hole in self._instead_of and hole not in swapped]
        each = [f"Where the {FINGERS[hole]} was asked for, the {FINGERS[self._instead_of[hole]]}" for hole in others]
        told = [f"Where {named(others)} were asked for, others"] if len(others) > FEW else each
        told = [f"{one} answered: the fingers were taken for each other, or the wires are swapped." for one in told]
        if plain := [hole for hole in alone if hole not in self._instead_of]:
            told.append(f"Not seen covered alone: {named(plain)}.")
        if half := [hole for hole in half if hole not in alone]:
            told.append(f"Not seen half covered: {named(half)}. How {_they(half)} then is not known.")
        return told + [MISSING[kind] for kind, hole in left_out if hole is None]

    def hear(self, t_us: int, samples: tuple[int, ...]) -> None:
        """Take in one raw sample of each hole."""
        if self._shift_us is None:
            self._shift_us = (self._times[-1] + AWAY_US if self._times else 0) - t_us
        t_us += self._shift_us
        if self.done or (self._times and t_us < self._times[-1]):
            return
        self._times.append(t_us)
        self._rows.append(samples)
        self.latest = samples
        if t_us - self._looked_us >= LOOK_US or len(self._times) == 1:
            self._looked_us = t_us
            self._look(t_us)

    def resume(self) -> None:
        """Go on with the step at hand, asked for once more, after samples stayed away; their clock may be another."""
        self._shift_us = None
        self._ask(len(self._times))

    def taken(self) -> Taken:
        """What was taken, when `done`: the steps that were done, and no sample from between them."""
        spans = sorted([*self._spans, *self._swapped()], key=lambda span: span.asked)
        rows = [row for span in spans for row in range(span.asked, span.end)]
        placed, begin = [], 0
        for span in spans:
            placed.append(
                replace(span, asked=begin, held=begin + span.held - span.asked, end=begin + span.end - span.asked)
            )
            begin = placed[-1].end
        return Taken(
            np.array(self._times, dtype=np.int64)[rows],
            np.array(self._rows, dtype=np.uint16)[rows],
            tuple(placed),
            self.full_scale,
        )

    # -- looking ------------------------------------------------------------------------------------------------------

    def _look(self, t_us: int) -> None:
        kind, hole = PLAN[self.number]
        since_us = t_us - self._times[self._asked]
        patience_us = PATIENCE_US[kind][min(self.tries, 1)]
        waited = since_us > patience_us
        if kind == "scale":
            self._look_at_scale(since_us >= LEAST_US + STILL_US, waited)
            return
        still = since_us >= LEAST_US + STILL_US and self._is_still(hole)
        seen = see(kind, hole, self._share(self._since(STILL_US))) if still else None
        if self.number == 0 and (still or waited):
            seen = StepSeen()
        partly = since_us > patience_us - HOLD_US - PARTLY_US
        if seen is not None and (seen.done or (partly and self._is_usable(kind, hole, seen))):
            # From here on: the stretch in which it came to rest may have the way there in it.
            self._held = len(self._times) - 1 if self._held is None else self._held
            self._wrong_us = None
            hold_us = FIRST_HOLD_US if self.number == 0 else HOLD_US
            if t_us - self._times[self._held] >= hold_us + TAIL_US:
                self._take(self._held, bisect_left(self._times, t_us - TAIL_US), seen)
            return
        self._held = None
        before = PLAN[self.number - 1][1]
        usable = seen is not None and self._is_last and self._is_usable(kind, hole, seen)
        if seen is None or usable or not is_hand_moved(seen, kind, before):
            self._wrong_us = None
        elif self._wrong_us is None:
            self._wrong_us = t_us
        if waited or (self._wrong_us is not None and t_us - self._wrong_us >= WRONG_US):
            self._again(seen)

    @property
    def _is_last(self) -> bool:
        """Whether it is not asked again: for want of success with this kind of step, it may be asked once only."""
        kind = PLAN[self.number][0]
        same = [step for step in range(self.number) if PLAN[step][0] == kind][-GIVEN_UP:]
        given_up = len(same) == GIVEN_UP and all(step in self.left_out for step in same)
        vain = (given_up and kind in ("covered", "half")) or (kind == "scale" and (self._swing != 0).sum() <= FEW)
        return self.tries >= REPEATS or vain

    def _is_usable(self, kind: Kind, hole: int | None, seen: StepSeen) -> bool:
        """Whether a step that was not done wholly is taken all the same, now that it is not asked for again."""
        if kind in ("covered", "half") and self.tries and not seen.missing and not seen.fallen:
            # A drop of water, or a neighbour's wire, is no finger: it will not go for being asked.
            return seen.too_many == seen.astray
        if not self._is_last or seen.fallen:
            return False
        if kind == "covered":
            return seen.weakly or seen.instead is not None
        return kind in ("open", "all") and len(seen.missing + seen.too_many) <= FEW

    def _since(self, long_us: int) -> NDArray[np.float64]:
        """The rows of the last so many µs of this step."""
        first = max(self._asked, bisect_left(self._times, self._times[-1] - long_us))
        return np.array(self._rows[first:], dtype=np.float64)

    def _is_still(self, hole: int | None) -> bool:
        """Whether all holes keep their samples. One that never does must not hold up a step for ever."""
        window = self._since(STILL_US)
        if len(window) < 8:
            return False
        half = len(window) // 2
        apart = np.abs(np.median(window[:half], axis=0) - np.median(window[half:], axis=0))
        # A noisy hole is no moving finger: its middle may wander by a part of its noise.
        noise = np.median(np.abs(window - np.median(window, axis=0)), axis=0)
        moving = np.flatnonzero(apart > np.maximum(MOVED / 2 * self.full_scale, 2 * noise))
        return len(moving) == 0 or (self.tries > 0 and len(moving) == 1 and moving[0] != hole)

    def _share(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far each hole is covered. Before its own swing is known, by the usual one; before that, by what moves."""
        rise: NDArray[np.float64] = np.median(rows, axis=0) - self._open
        usual = self._usual or max(MOVED / LYING * self.full_scale, float(np.abs(rise).max()))
        share: NDArray[np.float64] = rise / np.where(self._swing != 0, self._swing, usual)
        return share

    @property
    def _usual(self) -> float:
        """The usual swing of this chanter's holes, 0 before any is known."""
        known = np.abs(self._swing[self._swing != 0])
        return float(np.median(known)) if len(known) else 0.0

    def _look_at_scale(self, begun: bool, waited: bool) -> None:
        """A scale has no stillness: each hole that answers has to be covered and open, and low G comes at its end."""
        share = self._share(self._since(LOOK_US))
        self._seen_covered |= share > COVERED
        self._seen_open |= share < OPEN
        answers, turned = self._swing != 0, self._seen_covered & self._seen_open
        seen = StepSeen(missing=tuple(np.flatnonzero(answers & ~turned).tolist()))
        usable = (answers & turned).sum() > FEW and len(seen.missing) <= FEW
        ended = (self._share(self._since(BACK_US)) > COVERED)[answers & turned].all()
        if begun and ((usable and ended and not seen.missing) or (waited and usable and self._is_last)):
            # Of those that never answered it is noted too that they did not follow.
            self._take(self._asked, len(self._times), StepSeen(missing=tuple(np.flatnonzero(~turned).tolist())))
        elif waited:
            self._again(seen)

    # -- going on -----------------------------------------------------------------------------------------------------

    def _again(self, seen: StepSeen | None) -> None:
        """Ask once more, or leave the step out."""
        kind, hole = PLAN[self.number]
        if (
            seen is not None
            and kind in ("covered", "half")
            and self._restarts < RESTARTS
            and self._is_begun_wrong(seen)
        ):
            self._restarts += 1
            self.number, self.left_out = 0, []
            lay = StepSeen(fallen=tuple(sorted({*seen.fallen, *seen.too_many})))
            self.words = again_words("covered", 0, lay, self._open)
            self._begin_anew()
            self.tries = 0
            self._ask(len(self._times) - 1)
        elif self._is_last:
            self.left_out.append(self.number)
            self._next()
        else:
            self.tries += 1
            share = None if seen is None else self._share(self._since(STILL_US))
            self.words = again_words(kind, hole, seen, share)
            self._ask(len(self._times) - 1)

    def _is_begun_wrong(self, seen: StepSeen) -> bool:
        """Whether a finger lay on its hole when all were to be off: now that it is lifted, the hole reads less."""
        reversed_ = [other for other in seen.too_many if self._swing[other] < 0]
        return bool(seen.fallen) or (bool(seen.too_many) and len(reversed_) == len(seen.too_many))

    def _take(self, held: int, end: int, seen: StepSeen) -> None:
        """Take the step as it was held, and learn from it."""
        kind, hole = PLAN[self.number]
        middle = np.median(np.array(self._rows[held:end], dtype=np.float64), axis=0)
        rise = middle - self._open
        span = Span(kind, hole, self._asked, held, end, tuple(sorted({*seen.missing, *seen.too_many} - {hole})))
        lifted = np.ones(HOLES, dtype=bool)
        lifted[[*seen.too_many, *([] if hole is None else [hole])]] = False
        if kind == "covered" and hole is not None:
            answered = hole if seen.instead is None else seen.instead
            self._swing[answered] = rise[answered]
            if seen.instead is not None:
                self._instead[hole], self._instead_of[hole] = replace(span, doubted=()), seen.instead
                self.left_out.append(self.number)
        if kind == "all":
            # Those that were not covered alone, and answer now.
            fresh = (self._swing == 0) & (rise > MOVED * self.full_scale)
            self._swing[fresh] = rise[fresh]
        if self.number == 0:
            self._open = middle
        elif kind in ("open", "covered", "half"):
            self._open[lifted] = middle[lifted]
        if seen.instead is None:
            self._spans.append(span)
        self._next()

    def _next(self) -> None:
        self.number += 1
        if not self.done and PLAN[self.number][0] == "half" and self.number - 1 in self.left_out:
            # Half of what? It was not seen covered.
            self.left_out.append(self.number)
            self.number += 1
        self.tries = 0
        self.words = "" if self.done else ask_words(*PLAN[self.number])
        self._ask(len(self._times) - 1)

    def _ask(self, row: int) -> None:
        self._asked, self._held, self._wrong_us = row, None, None
        self._seen_covered[:], self._seen_open[:] = False, False

    def _swapped(self) -> list[Span]:
        """The steps in which another hole answered, where that was the wires: holes change places, in the scale too."""
        scale = next((span for span in self._spans if span.kind == "scale"), None)
        instead = {hole: other for hole, other in self._instead_of.items() if other in self._instead_of}
        if scale is None or not instead or set(instead) != set(instead.values()):
            return []
        rows = np.array(self._rows[scale.asked : scale.end], dtype=np.float64)
        share = np.divide(rows - self._open, self._swing, out=np.zeros_like(rows), where=self._swing != 0)
        t_us = np.array(self._times[scale.asked : scale.end], dtype=np.int64)
        if not wires_are_swapped(t_us, share, instead):
            return []
        return [self._instead[hole] for hole in instead]
