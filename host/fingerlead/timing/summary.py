"""Which changes to work on, and how sure that is: statistics over the plain changes of one or more sessions.

Question: of the 72 directed changes, which costs the most heard stray time, and by which finger?
Conventions: durations in integer µs, shares from 0 to 1. Only *plain* changes count, those with the verdict clean,
apart or stray; all others are counted beside them, each verdict for itself.
Sources: the interval of a share is Wilson's score interval (E. B. Wilson, JASA 22, 1927); that of a median is the
distribution-free one of order statistics (W. J. Conover, Practical Nonparametric Statistics, 3rd ed., section 3.2).
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import NormalDist, median

import numpy as np

from fingering.moves import possible_strays
from fingerlead.reading.reading import PERHAPS_US
from fingerlead.timing.against import doubted_notes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.movement_sums import MovementOn, MovementSummary, movement_sums, movements_together
from fingerlead.timing.pulse import OnsetOf, pulses
from fingerlead.timing.results import Change, Verdict, WrittenAt
from fingerlead.timing.worth import (
    CONFIDENCE,
    PairsSummary,
    Unpointed,
    WorthWork,
    WrittenSummary,
    log_choose,
    ranked,
    stands_out,
    worth_of,
    worths_of_change,
)

# If so many of the changes can be read in two ways, the music is asked for first.
MUCH = 0.1


@dataclass(frozen=True, slots=True)
class Spread:
    """Median, quartiles and the median's confidence interval (None where the values are too few for one)."""

    count: int
    median_us: int
    quartiles_us: tuple[int, int]
    interval_us: tuple[int, int] | None


@dataclass(slots=True)
class ChangeSummary:
    """One directed change over all its instances.

    `plain` are those that count, `astray` those of them in which a stray was heard; `spreads_us` are those of the ones
    that were apart, and nothing was heard of it. `beside` counts those that are not plain, by their verdict.
    """

    from_note: int
    to_note: int
    plain: list[Change] = field(default_factory=list)
    astray: list[Change] = field(default_factory=list)
    spreads_us: list[int] = field(default_factory=list)
    beside: Counter[Verdict] = field(default_factory=Counter)

    def take_in(self, change: Change) -> None:
        """Count one more instance."""
        if not change.is_plain:
            self.beside[change.verdict] += 1
            return
        self.plain.append(change)
        if change.verdict == "stray":
            self.astray.append(change)
        elif change.verdict == "apart":
            self.spreads_us.append(change.spread_us)

    @property
    def count(self) -> int:
        """How many plain changes there were."""
        return len(self.plain)

    @property
    def clean_share(self) -> float:
        """The share without a heard stray; 1 where there were none at all."""
        return 1 - len(self.astray) / self.count if self.count else 1.0

    @property
    def clean_interval(self) -> tuple[float, float]:
        """Wilson's interval of the clean share."""
        return wilson(self.count - len(self.astray), self.count)

    @property
    def heard_us(self) -> int:
        """Heard stray time in all of them."""
        return sum(map(heard_stray_us, self.astray))

    @property
    def typical_stray_us(self) -> int:
        """The median heard stray time of those that went astray; 0 where none did."""
        return round(median(map(heard_stray_us, self.astray))) if self.astray else 0

    @property
    def stands_out(self) -> bool:
        """Whether so many strays could hardly come by chance; see `stands_out`."""
        return stands_out(len(self.astray), self.count)

    @property
    def apart(self) -> int:
        """In how many the fingers were not together, and nothing was heard of it."""
        return len(self.spreads_us)

    def led(self) -> Counter[int | None]:
        """How often each finger led; None where it was too close to call."""
        return Counter(change.lead for change in self.plain)

    def lags(self) -> dict[int, Spread]:
        """For each finger how long after the first it moved."""
        after: dict[int, list[int]] = {}
        for change in self.plain:
            for finger in change.fingers:
                after.setdefault(finger.finger, []).append(finger.after_start_us)
        return {finger: spread(values) for finger, values in sorted(after.items())}

    def strays(self) -> dict[int, Spread]:
        """For each stray note that was heard how long it lasted."""
        lengths: dict[int, list[int]] = {}
        for change in self.astray:
            for stray in change.strays:
                if stray.heard:
                    lengths.setdefault(stray.note, []).append(stray.duration_us)
        return {note: spread(values) for note, values in sorted(lengths.items())}

    @property
    def faults(self) -> list[Change]:
        """Those astray, or where none was, those that were apart; the least fault first. None of them is clean."""
        some = self.astray or [change for change in self.plain if change.verdict == "apart"]
        return sorted(some, key=lambda c: (heard_stray_us(c), c.spread_us))

    def worst(self) -> Change | None:
        """The fault with the most heard stray time, or the widest where none had any; None where all were clean."""
        return self.faults[-1] if self.faults else None

    def typical(self) -> Change | None:
        """The fault in the middle; None where all were clean."""
        return self.faults[(len(self.faults) - 1) // 2] if self.faults else None


@dataclass(slots=True)
class Summary:
    """All changes of the sessions; `playing_us` is from their first held note to the end of their last."""

    by_change: dict[tuple[int, int], ChangeSummary]
    playing_us: int
    uncertainty_us: int = 0  # the widest of the sessions'
    _sessions: dict[int, int] = field(default_factory=dict, repr=False)  # by the identity of each judged change
    by_movement: dict[MovementOn, MovementSummary] = field(default_factory=dict)
    by_written: dict[tuple[int, int], WrittenSummary] = field(default_factory=dict)
    by_pairs: dict[tuple[bool, float], PairsSummary] = field(default_factory=dict)
    # Lengths of short notes (from, note, to) that may be slow strays or may be meant.
    passing: dict[tuple[int, int, int], list[int]] = field(default_factory=dict)

    def session_of(self, change: Change) -> int:
        """In which session, counted from 0, one of these changes was."""
        return self._sessions[id(change)]

    @property
    def plain(self) -> int:
        """How many plain changes there were."""
        return sum(change.count for change in self.by_change.values())

    @property
    def astray(self) -> int:
        """In how many of them a stray was heard."""
        return sum(len(change.astray) for change in self.by_change.values())

    @property
    def heard_us(self) -> int:
        """Heard stray time in all of them."""
        return sum(change.heard_us for change in self.by_change.values())

    @property
    def heard_a_minute_us(self) -> float:
        """Heard stray time per minute of playing, in µs."""
        return self.heard_us / self.playing_us * 60_000_000 if self.playing_us else 0.0

    def per_minute_us(self, change: ChangeSummary) -> float:
        """Heard stray time of a change per minute of playing, in µs."""
        return change.heard_us / self.playing_us * 60_000_000 if self.playing_us else 0.0

    def ranked(self) -> list[ChangeSummary]:
        """The changes in which strays were heard, the most heard stray time first."""
        heard = [change for change in self.by_change.values() if change.heard_us]
        return sorted(heard, key=lambda c: (-c.heard_us, c.from_note, c.to_note))

    @property
    def unread(self) -> int:
        """How many changes have a short note beside them that may be a stray, for want of the music."""
        return sum(change.beside["perhaps"] for change in self.by_change.values())

    @property
    def music_decides(self) -> bool:
        """Whether so many could, that the music is worth naming."""
        return self.unread > 0 and self.unread >= MUCH * (self.unread + self.plain)

    def worth_work(self) -> list[WorthWork[ChangeSummary]]:
        """All that goes wrong, of every kind, in one order: by how often and how loud; no chance ones."""
        changes = (
            worth
            for of in self.by_change.values()
            for worth in worths_of_change(of, of.count, [*map(heard_stray_us, of.astray)], of.spreads_us)
        )
        lots = (self.by_written, self.by_movement, self.by_pairs)
        return ranked([*changes, *(worth_of(one) for lot in lots for one in lot.values())])


def summarise(analyses: Iterable[Analysis], onset: OnsetOf = "theme") -> Summary:
    """Put the changes of some sessions together; `onset` is what counts as the beginning of a note in a pair."""
    summary = Summary({}, 0)
    for number, analysis in enumerate(analyses):
        summary.uncertainty_us = max(summary.uncertainty_us, analysis.timing.uncertainty_us)
        summary.playing_us += playing_us(analysis)
        for change in analysis.changes:
            if not change.judged:
                continue
            key = change.from_note, change.to_note
            of = summary.by_change.get(key) or summary.by_change.setdefault(key, ChangeSummary(*key))
            of.take_in(change)
            summary._sessions[id(change)] = number
        for before, note, after in passing_notes(analysis.changes):
            summary.passing.setdefault((before.from_note, before.to_note, after.to_note), []).append(note)
        _take_in_written(summary, analysis)
        for pair in (pair for pulse in pulses(analysis, onset) for pair in pulse.pairs if pair.verdict != "unclear"):
            kind = pair.dotted, pair.written_ratio
            of_kind = summary.by_pairs.setdefault(kind, PairsSummary(*kind))
            of_kind.count += 1
            if pair.verdict != "pointed":
                of_kind.unpointed.append(Unpointed(pair.verdict, pair.played_ratio, pair.off_us))
        summary.by_movement = movements_together([*summary.by_movement.values(), *movement_sums(analysis)])
    return summary


def _take_in_written(summary: Summary, analysis: Analysis) -> None:
    """Count how often each written step was asked for, and what was played in place of its second note."""
    steps: dict[WrittenAt, WrittenSummary | None] = {}
    for note, doubted in zip(analysis.held, doubted_notes(analysis), strict=True):
        at = note.written
        if at is None or doubted:
            continue
        if at not in steps:
            music, step = analysis.musics[at.music], None
            if at.number and music.asked.judged:
                key = music.notes[at.number - 1].note, music.notes[at.number].note
                step = summary.by_written.setdefault(key, WrittenSummary(*key))
            steps[at] = step
        of = steps[at]
        if of is not None:
            of.count += 1
            if note.note != of.to_note:
                of.wrong.append((note.note, note.end_us - note.start_us))


def passing_notes(changes: Sequence[Change]) -> Iterator[tuple[Change, int, Change]]:
    """Short notes that may be slow strays: the change that leads to one, its length, and the change that leaves it."""
    for before, after in pairwise(changes):
        if before.verdict != "perhaps" or after.verdict != "perhaps" or not before.judged:
            continue
        short_us = after.start_us - before.end_us
        if before.to_note in possible_strays(before.from_note, after.to_note) and short_us < PERHAPS_US:
            yield before, short_us, after


def playing_us(analysis: Analysis) -> int:
    """From the first held note to the end of the last; 0 where none was held."""
    held = analysis.arrays
    return int(held.end_us[-1] - held.start_us[0]) if len(held.end_us) else 0


def heard_stray_us(change: Change) -> int:
    """The heard stray time in one change."""
    return sum(stray.duration_us for stray in change.strays if stray.heard)


def wilson(successes: float, count: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Wilson's score interval of a share; (0, 1) for no trials."""
    if not count:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share = successes / count
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    return max(0.0, middle - half), min(1.0, middle + half)


def spread(values: Sequence[int]) -> Spread:
    """Median, quartiles (linear between ranks) and the median's interval of one or more durations."""
    low, middle, high = (round(float(q)) for q in np.percentile(values, (25, 50, 75)))
    return Spread(len(values), middle, (low, high), median_interval(values))


def median_interval(values: Sequence[int], confidence: float = CONFIDENCE) -> tuple[int, int] | None:
    """The narrowest symmetric pair of order statistics that holds the median with at least this confidence."""
    count = len(values)
    ordered = sorted(values)
    tail, rank = 0.0, -1
    for k in range(count // 2):
        # Binomial(count, 1/2) at most k.
        tail += math.exp(log_choose(count, k) - count * math.log(2))
        if 2 * tail > 1 - confidence:
            break
        rank = k
    return None if rank < 0 else (ordered[rank], ordered[count - 1 - rank])
