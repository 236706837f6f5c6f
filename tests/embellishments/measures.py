"""What the program says of embellishments, beside the truth: how often it is right, and where it is wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import log2

import numpy as np

from fingerlead.timing.fault_words import fault_words
from tests.embellishments.faults import KINDS, UNSURE_US, is_certainly_uneven, is_free
from tests.embellishments.forms import names_of
from tests.embellishments.planted import Recital, Try, recital, without_short
from tests.reading.analysed import analysed, music_of
from tests.reading.instrument import HEARD_US, LETTERS

TEMPI_US = ((35_000, 45_000), (55_000, 80_000), (90_000, 130_000), (120_000, 200_000))
WAYS = ("well", "left out", "another", *KINDS, "barely uneven")
# The middle part of the lengths of well played notes, of as many movements.
WELL_PLAYED = 0.98
SAMPLE = 400
# Advice that is of all notes of a movement at once.
WHOLE = "Play it whole"
# What the program calls the throws, which lead to more notes than D.
NAMES = {"throw on D": "throw", "heavy throw on D": "heavy throw"}


@dataclass
class Counts:
    """How many tries of one way were told right, and what was told of the others.

    `apart` are those of `of` that no length tells from what is well played, and `named_apart` those of them that are
    told all the same. `uneven` are crushed or dragged notes that are told as uneven, and are.
    """

    way: str
    of: int = 0
    named: int = 0
    apart: int = 0
    named_apart: int = 0
    uneven: int = 0
    fingers: int = 0
    right_fingers: int = 0
    faulted: int = 0
    advised: int = 0
    worse: int = 0
    instead: Counter[str] = field(default_factory=Counter)
    cases: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        return self.named / max(1, self.of)

    @property
    def share_told(self) -> float:
        """The share of those that can be told."""
        return (self.named - self.named_apart) / max(1, self.of - self.apart)


def told_of(played: Recital) -> Iterator[tuple[Try, object | None]]:
    """Each try with the movement that the analysis has in its place, None where it has none."""
    analysis = analysed(played.performance, music_of(played.performance))
    movements, first = analysis.movements, 0
    for one in played.tries:
        while first < len(movements) and movements[first].end_us < one.window[0]:
            first += 1
        here = [
            m
            for m in movements[first : first + 6]
            if one.window[0] <= (m.start_us + m.end_us) / 2 <= one.window[1]
            and (m.from_note, m.to_note) == (one.written.before, one.written.after)
        ]
        yield one, next((m for m in here if m.written is not None), next(iter(here), None))


def same_place(written: str, place: int, variant: str | None, note: int) -> bool:
    """Whether a place in one spelling of a movement is a place in another, which may begin a note later or earlier."""
    if variant is None:
        return note == place
    for shift in range(-2, 3):
        pairs = [(a, variant[i + shift]) for i, a in enumerate(written) if 0 <= i + shift < len(variant)]
        is_long = len(pairs) >= min(len(written), len(variant)) - 1
        if note == place + shift and is_long and sum(a != b for a, b in pairs) <= 1:
            return True
    return False


def is_named(one: Try, movement) -> bool:
    """Whether what was done is told."""
    if movement is None:
        return one.fault is None and one.played is None
    if one.fault is None:
        if one.played is None:
            return movement.verdict == "left out"
        if one.played is one.written:
            return movement.verdict == "as written"
        right = names_of(one.written.before, one.written.after)[one.played.sounds]
        return movement.verdict == "another" and movement.name == NAMES.get(right, right)
    if one.alike and movement.verdict == "another":
        return True
    return any(is_this(one, movement, fault) for fault in movement.faults)


def is_this(one: Try, movement, fault) -> bool:
    """Whether a fault that is told is the one that was planted."""
    assert one.fault is not None
    return fault.kind == one.fault.kind and is_there(one, movement, fault)


def is_there(one: Try, movement, fault) -> bool:
    """Whether a fault that is told is where one was planted."""
    assert one.fault is not None
    return any(same_place(one.written.written, place, movement.variant, fault.note) for place in one.fault.places)


@cache
def well_played_us(tempo_us: tuple[int, int]) -> dict[bool, tuple[float, float]]:
    """From where to where the lengths of well played notes lie at a tempo: of grace notes (True), and of others."""
    found: dict[bool, list[float]] = {True: [], False: []}
    for one in recital("well", SAMPLE, *tempo_us, seed=1_000).tries:
        if not one.is_well or len(one.steps) != len(one.sounds):
            continue
        for at, sound in enumerate(one.sounds):
            if is_free(one.written, one.steps, at):
                found[_is_grace(one, at)].append(sound.lasts_us)
    ends = ((1 - WELL_PLAYED) / 2, (1 + WELL_PLAYED) / 2)
    return {grace: tuple(np.quantile(lengths, ends).tolist()) for grace, lengths in found.items()}


def _is_grace(one: Try, at: int) -> bool:
    """Whether a step sounds another note than the hand is on: a grace note or a strike."""
    sound, hand = one.written.shapes[at]
    return sound != hand


def is_apart(one: Try, tempo_us: tuple[int, int]) -> bool:
    """Whether the length that was planted lies within its uncertainty of what is well played: then none can tell it."""
    assert one.fault is not None
    marked = [s.lasts_us for s in one.sounds if any(m.marked and m.sound == s.note for m in one.steps)]
    if one.fault.kind == "uneven":
        return not is_certainly_uneven(marked)
    if one.fault.kind not in ("crushed", "dragged"):
        return False
    at, step = next((at, step) for at, step in enumerate(one.steps) if step.marked)
    least_us, most_us = well_played_us(tempo_us)[_is_grace(one, at)]
    lasts_us = min(marked, key=lambda us: abs(us - step.lasts_us))
    return lasts_us + UNSURE_US >= least_us if one.fault.kind == "crushed" else lasts_us - UNSURE_US <= most_us


def is_uneven(one: Try, movement) -> bool:
    """Whether a crushed or dragged note is told as uneven, and is: by more than twice beside one of its sound."""
    if one.fault is None or one.fault.kind not in ("crushed", "dragged") or movement is None:
        return False
    step = next(step for step in one.steps if step.marked)
    alike = [s.lasts_us for s in one.sounds if s.note == step.sound and s.lasts_us >= HEARD_US]
    told = [fault for fault in movement.faults if fault.kind == "uneven" and is_there(one, movement, fault)]
    return bool(told) and max(alike) > 2 * min(alike)


def count(way: str, recitals: Sequence[Recital], tempo_us: tuple[int, int]) -> Counts:
    """How often what was done is told, with which finger, and whether its advice makes it worse."""
    counts = Counts(way)
    for number, played in enumerate(recitals):
        for at, (one, movement) in enumerate(told_of(played)):
            if way == "well" and not one.is_well:
                continue
            counts.of += 1
            named = is_named(one, movement)
            counts.named += named
            if one.fault is not None and is_apart(one, tempo_us):
                counts.apart += 1
                counts.named_apart += named
            elif not named:
                counts.uneven += is_uneven(one, movement)
            faults = () if movement is None else movement.faults
            counts.faulted += bool(faults)
            if not named:
                told = "nothing" if movement is None else movement.verdict
                if faults:
                    told = ", ".join(sorted({fault.kind for fault in faults}))
                counts.instead[told] += 1
            wrong_finger = False
            for fault in faults:
                if one.fault is not None and fault.finger is not None and is_this(one, movement, fault):
                    counts.fingers += 1
                    right = not one.fault.fingers or fault.finger in one.fault.fingers
                    counts.right_fingers += right
                    wrong_finger |= not right
                # That a note is uneven goes without saying where it is said to be too short or too long.
                is_said = fault.kind != "uneven" or not any(
                    other.note == fault.note and other.kind in ("swallowed", "crushed", "dragged") for other in faults
                )
                if one.played is one.written and movement.verdict == "faulty" and is_said:
                    counts.advised += 1
                    counts.worse += makes_worse(one, movement, fault)
            if not named or wrong_finger:
                counts.cases.append(f"#{number}.{at} {describe(one, movement)}")
    return counts


def describe(one: Try, movement) -> str:
    """A try and what was told of it, on one line."""
    sounds = " ".join(f"{LETTERS[s.note]}{s.lasts_us // 1_000}" for s in one.sounds)
    fault = one.fault and (one.fault.kind, sorted(one.fault.places), sorted(one.fault.fingers))
    head = f"{one.written.name} {LETTERS[one.written.before]}{{{one.written.written}}}{LETTERS[one.written.after]}"
    if movement is None:
        return f"{head} [{sounds}] {fault}: nothing told"
    told = [(f.kind, f.note, f.finger, round(f.size_us / 1_000)) for f in movement.faults]
    return f"{head} [{sounds}] {fault}: {movement.verdict} {movement.name} {movement.variant} {told}"


def row_of(one: Try) -> list[tuple[int, float]]:
    """The notes that sounded between the melody notes, and how long."""
    return [(sound.note, sound.lasts_us) for sound in without_short(one.sounds)]


def ideal_of(one: Try) -> list[tuple[int, float]]:
    """The notes that were to sound; as long as planned, marked ones by what the others of their kind are."""
    grace = [s.lasts_us for s in one.steps if s.hole < 8 and not s.marked and s.written is not None]
    inner = [s.lasts_us for s in one.steps if s.hole == 8 and not s.marked and s.written is not None]
    grace_us = sorted(grace)[len(grace) // 2] if grace else 0.75 * (sorted(inner)[len(inner) // 2] if inner else 60_000)
    inner_us = sorted(inner)[len(inner) // 2] if inner else 1.35 * grace_us
    return [(sound, inner_us if sound == hand else grace_us) for sound, hand in one.written.shapes]


def far(row: Sequence[tuple[int, float]], ideal: Sequence[tuple[int, float]]) -> float:
    """How far a row is from the one that was to sound: notes wrong, too many and too few, and lengths."""

    def exchange(a: tuple[int, float], b: tuple[int, float]) -> float:
        return 1.0 if a[0] != b[0] else min(0.5, max(0.0, abs(log2(a[1] / b[1])) - 0.7) / 3)

    costs = [float(i) for i in range(len(ideal) + 1)]
    for i, a in enumerate(row, start=1):
        last, costs[0] = costs[0], float(i)
        for j, b in enumerate(ideal, start=1):
            last, costs[j] = costs[j], min(costs[j] + 1, costs[j - 1] + 1, last + exchange(a, b))
    return costs[-1]


def makes_worse(one: Try, movement, fault) -> bool:
    """Whether the movement is farther from what was to sound once the advice of a fault is obeyed to the letter."""
    form = [LETTERS.index(letter) for letter in movement.variant or ""]
    row, ideal = row_of(one), ideal_of(one)
    usual_us = sorted([lasts_us for _, lasts_us in ideal])[len(ideal) // 2]
    note = form[fault.note] if fault.note < len(form) else None
    # Where in what sounded the told note stands: as far from the start as in the form, or the nearest of its sound.
    wanted = fault.sounded if fault.kind in ("wrong note", "extra catch", "stray inside") else note
    places = [i for i, (sound, _) in enumerate(row) if sound == wanted]
    at = min(places, key=lambda i: abs(i - fault.note), default=None)
    if WHOLE in fault_words(movement, fault):
        options = [[(sound, usual_us) for sound in form]]
    elif fault.kind in ("missing", "swallowed"):
        options = [[*row[:i], (note, usual_us), *row[i:]] for i in range(len(row) + 1)]
    elif at is None:
        return False
    elif fault.kind in ("crushed", "dragged", "uneven"):
        longer = {"crushed": 1.5, "dragged": 0.67}.get(fault.kind)
        if longer is None:
            # "Play them equally long": this one as the others of its sound are.
            alike = [lasts_us for sound, lasts_us in row if sound == note]
            longer = sum(alike) / len(alike) / row[at][1]
        options = [[*row[:at], (row[at][0], row[at][1] * longer), *row[at + 1 :]]]
    elif fault.kind == "wrong note":
        options = [[*row[:at], (note, row[at][1]), *row[at + 1 :]]]
    elif fault.kind in ("extra catch", "stray inside"):
        options = [_joined([*row[:at], *row[at + 1 :]])]
    else:
        return False
    return min(far(_joined(option), ideal) for option in options) > far(row, ideal) + 0.02


def _joined(row: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
    out: list[tuple[int, float]] = []
    for note, lasts_us in row:
        if out and out[-1][0] == note:
            out[-1] = (note, out[-1][1] + lasts_us)
        else:
            out.append((note, lasts_us))
    return out


def measured(way: str, count_each: int, tempo_us: tuple[int, int], seeds: Sequence[int]) -> Counts:
    """The counts of one way of playing at one tempo, the tries spread over the seeds."""
    each = -(-count_each // len(seeds))
    return count(way, [recital(way, each, *tempo_us, seed) for seed in seeds], tempo_us)
