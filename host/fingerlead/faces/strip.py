"""What a finger strip shows: a change or movement set out in time; and the time scale of strips that stand together.

A strip has eight lanes from the thumb down, time from left to right. It is drawn in a terminal by `strip_text` and as
SVG by `strip_svg`.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from fingering.diagnosis import Diagnosis
from fingering.holes import FINGERS, fingers_of
from fingering.moves import hair, hair_words
from fingering.notes import ABC_LETTERS, NOTES, SOUNDING
from fingerlead.phrases import listed
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.results import Change, PlayedMovement, Timing

# Strips that stand together are all as wide as the smallest of these that holds each of them.
SCALES_US = {100_000: "a tenth of a second", 200_000: "a fifth of a second", 400_000: "two fifths of a second"}
# Of the scale, so much more is drawn before its first mark and after its last.
BEFORE, AFTER = 0.2, 0.05
TICKS = 4  # parts that the scale's marks divide it into
# One letter for each note, as notes are named: the octave shown by case.
LETTERS = "GABCDEFga"


@dataclass(frozen=True, slots=True)
class Strip:
    """One change or movement; times count from the edge of the finger that led, or from a movement's first edge.

    `edges` are (at_us, covered mask after it), `strays` (begin_us, end_us), of a movement its notes with a fault;
    `moving` are the fingers that take part. `words` tell it to those who do not see it.
    """

    notes: tuple[int, int]
    from_mask: int
    edges: tuple[tuple[int, int], ...]
    moving: frozenset[int]
    unsure_us: int
    words: str
    is_movement: bool = False
    lead: int | None = None
    diagnosis: Diagnosis | None = None
    strays: tuple[tuple[int, int], ...] = ()

    @property
    def hair(self) -> int | None:
        """The finger that should go a hair ahead of all others, or behind them."""
        return hair(*self.notes, self.diagnosis.first, self.diagnosis.second) if self.diagnosis else None

    @property
    def ahead(self) -> bool:
        """Whether a hair is ahead, as it is on the way up."""
        return self.notes[1] > self.notes[0]

    @property
    def first_us(self) -> int:
        """Its first edge, or the edge that times count from."""
        return min(0, self.edges[0][0])

    @property
    def last_us(self) -> int:
        """Its last edge."""
        return self.edges[-1][0]

    @property
    def lead_words(self) -> list[str]:
        """Which finger led, and which should go a hair ahead, or behind; nothing of a movement."""
        if self.is_movement:
            return []
        told = ["who led: too close to call" if self.lead is None else f"{FINGERS[self.lead]} led"]
        if self.hair is not None:
            told.append(f"{FINGERS[self.hair]} should go {hair_words(*self.notes)}")
        return told


@dataclass(frozen=True, slots=True)
class Lanes:
    """A strip on a time scale: `stretches` are (begin_us, end_us, mask), over the whole width."""

    strip: Strip
    begin_us: int
    end_us: int
    stretches: tuple[tuple[int, int, int], ...]

    @property
    def cut(self) -> bool:
        """Whether it goes on beyond the right end."""
        return self.strip.last_us >= self.end_us

    def is_stray(self, at_us: int) -> bool:
        """Whether a stray, or a note with a fault, sounds at a time."""
        return any(begin_us <= at_us < end_us for begin_us, end_us in self.strip.strays)

    def joined(self, of: Callable[[int], int]) -> list[tuple[int, int, int]]:
        """(begin_us, end_us, what) by what a mask comes to, neighbours of the same joined."""
        groups = ((what, list(group)) for what, group in groupby(self.stretches, lambda stretch: of(stretch[2])))
        return [(group[0][0], group[-1][1], what) for what, group in groups]


def change_strip(change: Change, timing: Timing, advise: bool = True) -> Strip:
    """The strip of a change; without what to try where not `advise`."""
    if change.verdict == "embellished":
        return _movement_strip((change.from_note, change.to_note), change.from_mask, change.edges, timing)
    # A stray that is not heard needs no mending.
    diagnosis = diagnose_change(change) if advise and any(stray.heard for stray in change.strays) else None
    begins = [stray.start_us - change.start_us for stray in change.strays]
    return Strip(
        notes=(change.from_note, change.to_note),
        from_mask=change.from_mask,
        edges=tuple((at_us - change.start_us, mask) for at_us, mask in change.edges),
        moving=frozenset(finger.finger for finger in change.fingers),
        unsure_us=max(finger.uncertainty_us for finger in change.fingers) or timing.uncertainty_us,
        words=_in_words(change, timing),
        lead=change.lead,
        diagnosis=diagnosis,
        strays=tuple((at, at + stray.duration_us) for at, stray in zip(begins, change.strays, strict=True)),
    )


def movement_strip(analysis: Analysis, movement: PlayedMovement) -> Strip | None:
    """The strip of a movement as it was played; None where it was left out."""
    if not movement.notes:
        return None
    notes, steady_us = (movement.from_note, movement.to_note), analysis.settings.steady_us
    faulty = faulty_spans(movement)
    if movement.change is not None:
        change = analysis.changes[movement.change]
        return _movement_strip(notes, change.from_mask, change.edges, analysis.timing, faulty)
    # Between two notes of one pitch stands no change: its edges are those that no steady mask divides.
    edge_us, covered = analysis.edge_us.tolist(), analysis.covered.tolist()
    first, last = analysis.edge_us.searchsorted((movement.start_us, movement.end_us)).tolist()
    while first > 1 and edge_us[first] - edge_us[first - 1] < steady_us:
        first -= 1
    while last + 1 < len(covered) and edge_us[last + 1] - edge_us[last] < steady_us:
        last += 1
    edges = tuple(zip(edge_us[first : last + 1], covered[first : last + 1], strict=False))
    return _movement_strip(notes, covered[first - 1], edges, analysis.timing, faulty)


def faulty_spans(movement: PlayedMovement) -> list[tuple[int, int]]:
    """When the notes of a movement sounded that have a fault, (begin_us, end_us) of the session.

    What is missing or swallowed did not sound; a note that is early or late is itself as it should be.
    """
    form = movement.variant or ""
    spans = []
    for fault in movement.faults:
        own = ABC_LETTERS.index(form[fault.note]) if fault.note < len(form) else None
        sounded = (own if fault.sounded is None else fault.sounded, fault.size_us)
        if fault.kind not in ("early", "late"):
            spans += [
                (one.start_us, one.start_us + one.duration_us)
                for one in movement.notes
                if (one.note, one.duration_us) == sounded
            ]
    return sorted(set(spans))


def _movement_strip(
    notes: tuple[int, int],
    from_mask: int,
    edges: Sequence[tuple[int, int]],
    timing: Timing,
    faulty: Iterable[tuple[int, int]] = (),
) -> Strip:
    masks = [from_mask, *(mask for _, mask in edges)]
    moving = frozenset(finger for before, after in pairwise(masks) for finger in fingers_of(before ^ after))
    sounding = [NOTES[note] for note, _ in groupby(SOUNDING[mask] for mask in masks[1:])]
    words = f"It begins with {NOTES[notes[0]]}; then sound {listed(sounding)}."
    counted = tuple((at_us - edges[0][0], mask) for at_us, mask in edges)
    spans = tuple((begin_us - edges[0][0], end_us - edges[0][0]) for begin_us, end_us in faulty)
    return Strip(notes, from_mask, counted, moving, timing.uncertainty_us, words, is_movement=True, strays=spans)


def _in_words(change: Change, timing: Timing) -> str:
    """Every finger of a change in order, and what sounded."""
    moved = [
        f"{FINGERS[finger.finger]} {'lifts' if finger.motion == 'lift' else 'comes down'} "
        f"at {ms(finger.after_start_us, timing.uncertainty_us)}"
        for finger in change.fingers
    ]
    sounded = [
        f"{NOTES[stray.note]} from {whole_ms(stray.start_us - change.start_us, timing.uncertainty_us)} "
        f"to {ms(stray.start_us - change.start_us + stray.duration_us, timing.uncertainty_us)}"
        for stray in change.strays
    ]
    return f"{listed(moved)}; {f'in between sounds {listed(sounded)}' if sounded else 'nothing sounds in between'}."


def shared_scale(strips: Iterable[Strip]) -> int:
    """The time scale, in microseconds, of strips that stand together: the smallest that holds them all, or the largest
    there is.
    """
    strips = list(strips)
    fitting = (scale_us for scale_us in SCALES_US if all(_holds(scale_us, strip) for strip in strips))
    return next(fitting, max(SCALES_US))


def _begin_us(scale_us: int, strip: Strip) -> int:
    return round(min(-BEFORE * scale_us, strip.first_us - AFTER * scale_us))


def _holds(scale_us: int, strip: Strip) -> bool:
    return strip.last_us <= _begin_us(scale_us, strip) + round((BEFORE + 1) * scale_us)


def scale_words(scale_us: int, which: str = "All strips") -> str:
    """The sentence that names the time scale that strips share."""
    return f"{which}: {scale_us // 1_000} ms wide, {SCALES_US[scale_us]}."


def lanes_of(strip: Strip, scale_us: int) -> Lanes:
    """A strip on a time scale, cut at the right end where it is longer than that."""
    begin_us = _begin_us(scale_us, strip)
    end_us = begin_us + round((BEFORE + 1 + AFTER) * scale_us)
    shown = [(at_us, mask) for at_us, mask in strip.edges if at_us < end_us]
    times = [begin_us, *(at_us for at_us, _ in shown), end_us]
    masks = [strip.from_mask, *(mask for _, mask in shown)]
    return Lanes(strip, begin_us, end_us, tuple(zip(times[:-1], times[1:], masks, strict=True)))


def ticks_us(lanes: Lanes, scale_us: int) -> list[tuple[int, bool]]:
    """(at_us, whether it is labelled) of the scale's marks: labelled at its beginning, its middle and its end."""
    marks = ((scale_us * part // TICKS, part % 2 == 0) for part in range(TICKS + 1))
    return [(at_us, labelled) for at_us, labelled in marks if at_us < lanes.end_us]
