"""The pulse of each pass through music that is known: onsets against the beat, bars that rush or drag, pairs.

Question: how steadily was it played, and how are its dotted and cut pairs pointed? An onset is that of the theme note,
or of the first grace note before it, by choice: where the beat falls, teachers differ. Nothing is told of less than two
bars, of a rung without a metronome (which asks for no beat), or across a stop, a jump, hands off or lost frames.

The beat is the metronome's where the playing keeps it, with its clicks on the beat, or so many to it; else it is
fitted. Where its first beat lies is always fitted: what is constant (the sound's way to the ear, the sensor's way back,
the player's lead over the click) is no unsteadiness. The chanter's clock may run apart from the metronome's by
UNKNOWN_DRIFT_PPM, which counts in the uncertainty. Where the session has the clicks, `lag_us` says how far the beat
that is fitted lies behind them; it may be off by UNKNOWN_DELAY_US, the link's delay that no arrival tells, besides.

A pair's ratio is that of the times from onset to onset. What it comes to is the nearest, by its logarithm, of the
written ratio (pointed), 1 to 1 (even) and the written one turned round (backwards); `unclear` where the errors of its
three edges reach over a limit, or the other choice of onset says another. No pair is measured where a stray, or an
embellishment that is not written, sounds in it, or where one of its notes or the one after is wrong or missing.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fingerlead.reading.music import MOST_MISSED, Music, Rhythm
from fingerlead.timing.against import doubted_notes, notes_embellished, notes_led_to, passes
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.beats import BarTime, Floats, Run, bars_of, beat_through, drift_of, offs_of, runs_of, spread_of
from fingerlead.timing.budget import COVERAGE
from fingerlead.wire.clock import UNKNOWN_DELAY_US, UNKNOWN_DRIFT_PPM

OnsetOf = Literal["theme", "first grace"]
PairVerdict = Literal["pointed", "even", "backwards", "unclear"]
OTHER: dict[OnsetOf, OnsetOf] = {"theme": "first grace", "first grace": "theme"}
# Clicks of a metronome stand for so many beats; it is kept where the player's own beat is so near to that.
CLICK_BEATS = (1 / 4, 1 / 3, 1 / 2, 1.0, 2.0, 3.0, 4.0)
KEPT_WITHIN = 0.1
# Beats beside a click, fewer of which say nothing of a lag; our own choice.
FEWEST_CLICKED = 4


class PlayedPair(NamedTuple):
    """A written dotted or cut pair as played: long to short, beside the written ratio.

    The true ratio lies within `factor` of the played one. `off_us` is how far its second note began from where it is
    written.
    """

    bar: int | None
    start_us: int
    dotted: bool
    written_ratio: float
    played_ratio: float
    factor: float
    verdict: PairVerdict
    off_us: int


class BarPulse(NamedTuple):
    """How long a bar, by its number as players count, was beside the beat; see `BarTime`."""

    bar: int | None
    time: BarTime


class PlacedOnset(NamedTuple):
    """The onset of the melody note `number`: in which bar as played, how far into it in beats, how far off the beat."""

    number: int
    bar: int
    into: float
    off_us: int


@dataclass(frozen=True, slots=True)
class PassPulse:
    """The pulse of one pass. `number` is the pass's, `music` that of its music.

    `drift` is in percent a minute, above 0 where it gets faster, None for too few beats; `drifts` says whether that is
    sure and large. `uncertainty_us` is that of an onset against the beat, expanded. `lag_us` is how far that beat lies
    behind the clicks (ahead of them: below 0), None without any.
    """

    music: int
    number: int
    beat_us: int
    source: Literal["metronome", "fitted"]
    onset: OnsetOf
    spread_us: int
    drift: float | None
    drifts: bool
    pairs: tuple[PlayedPair, ...]
    bars: tuple[BarPulse, ...]
    onsets: tuple[PlacedOnset, ...]
    uncertainty_us: int
    lag_us: int | None = None

    @property
    def lag_unsure_us(self) -> int:
        """How far off the lag may be."""
        return self.uncertainty_us + UNKNOWN_DELAY_US


class _Note(NamedTuple):
    """A melody note in its place."""

    number: int
    place: int
    rhythm: Rhythm


def pulses(analysis: Analysis, onset: OnsetOf = "theme") -> list[PassPulse]:
    """The pulse of each pass in which a beat can be told, in order; worked out once for each choice of onset."""
    known: list[PassPulse] | None = analysis.worked_out.get(("pulses", onset))
    if known is None:
        known = analysis.worked_out["pulses", onset] = _pulses(analysis, onset)
    return known


def _pulses(analysis: Analysis, onset: OnsetOf) -> list[PassPulse]:
    if not any(has_beat(music) for music in analysis.musics):
        return []
    playing = _Playing(analysis, onset)
    return [pulse for number in range(len(playing.passes)) if (pulse := playing.pulse(number)) is not None]


def has_beat(music: Music) -> bool:
    """Whether a beat is asked for: in music with a meter and two bars, but for a rung without a metronome."""
    last = music.notes[-1].rhythm if music.notes else None
    asked = music.asked
    return asked.judged and last is not None and last.bar > 0 and (asked.kind != "rung" or asked.beat_us is not None)


def onsets_of(analysis: Analysis, onset: OnsetOf) -> list[int]:
    """When each melody note begins, or the first grace note of the movement that leads to it."""
    onsets_us: list[int] = analysis.arrays.start_us.tolist()
    if onset == "first grace":
        for movement, number in zip(analysis.movements, notes_embellished(analysis), strict=True):
            if movement.notes and number < len(onsets_us):
                onsets_us[number] = movement.start_us
    return onsets_us


class _Playing:
    """The melody notes with their onsets, and how far each may be off."""

    def __init__(self, analysis: Analysis, onset: OnsetOf) -> None:
        self._analysis, self._onset = analysis, onset
        self._held = analysis.held
        self.passes, pass_of = passes(analysis)
        self._doubted = doubted_notes(analysis)
        self._off_us = [start_us for start_us, _ in analysis.off]
        theme_us = onsets_of(analysis, "theme")
        # The notes before which something sounded that is not written.
        self._broken = {
            number
            for movement, number in zip(analysis.movements, notes_embellished(analysis), strict=True)
            if movement.notes and movement.verdict not in ("as written", "faulty")
        }
        self._us: dict[OnsetOf, list[int]] = {"theme": theme_us, "first grace": onsets_of(analysis, "first grace")}
        self._own = np.full(len(theme_us), analysis.timing.uncertainty_us / COVERAGE)
        self._common = np.zeros(len(theme_us))
        for change, number in zip(analysis.changes, notes_led_to(analysis), strict=True):
            if change.verdict not in ("clean", "apart", "embellished"):
                self._broken.add(number)
            sounds_us = theme_us[number] - change.start_us
            edge = min(change.fingers, key=lambda finger: abs(finger.after_start_us - sounds_us))
            self._common[number] = edge.common_us
            if analysis.timing.budget is not None:
                self._own[number] = analysis.timing.budget.own_of_us(edge.uncertainty_us, edge.common_us)
        self._click_us = np.array([at_us for clicks in analysis.clicks for at_us in clicks.at_us], dtype=np.int64)
        self._of_pass: list[list[int]] = [[] for _ in self.passes]
        for number, place in enumerate(pass_of):
            if place is not None:
                self._of_pass[place].append(number)

    def pulse(self, number: int) -> PassPulse | None:
        """The pulse of a pass; None where none can be told."""
        one = self.passes[number]
        music = self._analysis.musics[one.music]
        if not has_beat(music):
            return None
        stretches = list(self._unbroken(number, music))
        found = [(stretch, run) for stretch in stretches for run in runs_of(self._run(stretch))]
        runs = [run for _, run in found]
        if not runs:
            return None
        fitted = [beat_through(run)[0] for run in runs]
        beat_us = float(np.average(fitted, weights=[run.at[-1] - run.at[0] for run in runs]))
        kept_us = kept_beat(music.asked.beat_us, beat_us)
        drift, drifts = drift_of(runs) or (None, False)
        taken_out = drift.value if drift is not None and drifts and kept_us is None else 0.0
        bar_of = {note.rhythm.bar: music.notes[note.place].bar for stretch in stretches for note in stretch}
        offs = np.concatenate([offs_of(run, kept_us) for run in runs])
        longest_us = max(int(run.us[-1] - run.us[0]) for run in runs)
        clock_us = 0.0 if kept_us is None else longest_us / 2 * UNKNOWN_DRIFT_PPM / 1e6 / 3**0.5
        edge_us = max(
            math.hypot(self._own[note.number], self._common[note.number]) for stretch, _ in found for note in stretch
        )
        return PassPulse(
            one.music,
            one.number,
            round(kept_us or beat_us),
            "fitted" if kept_us is None else "metronome",
            self._onset,
            round(spread_of(offs)),
            None if drift is None else round(100 * drift.value, 1),
            drifts,
            tuple(pair for stretch in stretches for pair in self._pairs(stretch, music)),
            tuple(BarPulse(bar_of[time.bar], time) for time in bars_of(runs, kept_us, taken_out)),
            tuple(place for stretch, run in found for place in self._placed(stretch, run, kept_us)),
            round(COVERAGE * math.hypot(edge_us, clock_us)),
            None if kept_us is None else self._lag(runs, kept_us),
        )

    def _lag(self, runs: Sequence[Run], beat_us: float) -> int | None:
        """How far the beats of some runs typically lie behind the clicks about them; None for too few."""
        found: list[float] = []
        # Clicks may be nearer together than beats: to which of them a beat belongs is known within half of that.
        circle_us = min([beat_us, *(float(clicks.beat_us) for clicks in self._analysis.clicks)])
        for run in runs:
            start_us = float(np.median(run.us - run.us[0] - run.at * beat_us)) + float(run.us[0])
            found += lags_behind(start_us + run.at * beat_us, self._click_us, circle_us).tolist()
        if len(found) < FEWEST_CLICKED:
            return None
        # A lag of half a beat one way is one of half a beat the other way: the middle of a circle.
        turns = np.array(found) * (2 * math.pi / circle_us)
        middle = math.atan2(float(np.sin(turns).mean()), float(np.cos(turns).mean())) * circle_us / (2 * math.pi)
        aside = (np.array(found) - middle + circle_us / 2) % circle_us - circle_us / 2
        return round(middle + float(np.median(aside)))

    def _unbroken(self, number: int, music: Music) -> Iterator[list[_Note]]:
        """The notes of a pass in stretches without a jump, hands off, a restart or doubt."""
        stretch: list[_Note] = []
        for held in self._of_pass[number]:
            written = self._held[held].written
            assert written is not None
            rhythm = music.notes[written.number].rhythm
            if rhythm is None or self._doubted[held]:
                yield stretch
                stretch = []
                continue
            if stretch:
                last = stretch[-1]
                goes_on = 0 < written.number - last.place <= MOST_MISSED + 1
                if not goes_on or self._is_off(self._held[last.number].start_us, self._held[held].start_us):
                    yield stretch
                    stretch = []
            stretch.append(_Note(held, written.number, rhythm))
        yield stretch

    def _is_off(self, start_us: int, end_us: int) -> bool:
        return bisect_right(self._off_us, end_us) > bisect_left(self._off_us, start_us)

    def _run(self, stretch: Sequence[_Note]) -> Run:
        """The onsets of a stretch that are written on the beat."""
        on_beat = [note for note in stretch if note.rhythm.on_beat]
        us = self._us[self._onset]
        return Run(
            np.array([float(note.rhythm.at) for note in on_beat]),
            np.array([us[note.number] for note in on_beat], dtype=np.int64),
            np.array([note.rhythm.bar for note in on_beat], dtype=np.int64),
        )

    def _placed(self, stretch: Sequence[_Note], run: Run, beat_us: float | None) -> Iterator[PlacedOnset]:
        """All notes of a stretch that lie in a run, those between its beats too."""
        inside = [note for note in stretch if run.at[0] <= note.rhythm.at < run.at[-1] + 1]
        slope_us = beat_through(run)[0] if beat_us is None else beat_us
        start_us = float(np.median(run.us - run.us[0] - run.at * slope_us)) + float(run.us[0])
        us = self._us[self._onset]
        for note in inside:
            off_us = us[note.number] - start_us - float(note.rhythm.at) * slope_us
            into = float(note.rhythm.at - note.rhythm.bar_at)
            yield PlacedOnset(note.number, note.rhythm.bar, into, round(off_us))

    def _pairs(self, stretch: Sequence[_Note], music: Music) -> Iterator[PlayedPair]:
        for place in range(len(stretch) - 2):
            notes = stretch[place : place + 3]
            first = notes[0]
            written = first.rhythm.pair
            if written is None or not self._is_whole(notes, music):
                continue
            long = float(max(written, 1 / written))
            numbers = [note.number for note in notes]
            ratio, factor = self._ratio(numbers, written > 1, self._onset)
            other, other_factor = self._ratio(numbers, written > 1, OTHER[self._onset])
            if not ratio or not other:
                continue
            verdict = pair_verdict(ratio, factor, long)
            if verdict != pair_verdict(other, other_factor, long):
                verdict = "unclear"
            begun_us, middle_us, end_us = (self._us[self._onset][number] for number in numbers)
            off_us = middle_us - begun_us - (end_us - begun_us) * float(written / (1 + written))
            bar = music.notes[first.place].bar
            yield PlayedPair(bar, begun_us, written > 1, long, ratio, factor, verdict, round(abs(off_us)))

    def _is_whole(self, notes: Sequence[_Note], music: Music) -> bool:
        """Whether three notes follow each other, each as written, with nothing between them that is not."""
        first = notes[0]
        return all(
            note.number == first.number + after
            and note.place == first.place + after
            and self._held[note.number].note == music.notes[note.place].note
            and (not after or note.number not in self._broken)
            for after, note in enumerate(notes)
        )

    def _ratio(self, numbers: Sequence[int], dotted: bool, onset: OnsetOf) -> tuple[float, float]:
        """How long to short was played, and the factor within which that is sure; 0 where a note has no length."""
        begun_us, middle_us, end_us = (self._us[onset][number] for number in numbers)
        first_us, second_us = middle_us - begun_us, end_us - middle_us
        if first_us <= 0 or second_us <= 0:
            return 0.0, 1.0
        # How the logarithm of the ratio moves with each of the three onsets.
        by: Floats = np.array([-1 / first_us, 1 / first_us + 1 / second_us, -1 / second_us])
        own, common = self._own[list(numbers)], self._common[list(numbers)]
        unsure = COVERAGE * math.hypot(*(by * own).tolist(), float(by @ common))
        ratio = first_us / second_us if dotted else second_us / first_us
        return ratio, math.exp(min(unsure, 10.0))


def lags_behind(beats_us: Floats, clicks_us: NDArray[np.int64], circle_us: float) -> Floats:
    """How far beats lie behind the click next to each (ahead of it: below 0); without those that have none near."""
    if not len(clicks_us):
        return np.zeros(0)
    after = np.clip(np.searchsorted(clicks_us, beats_us), 1, max(len(clicks_us) - 1, 1))
    sides = np.stack([beats_us - clicks_us[after - 1], beats_us - clicks_us[np.minimum(after, len(clicks_us) - 1)]])
    nearest: Floats = np.where(np.abs(sides[0]) <= np.abs(sides[1]), sides[0], sides[1])
    return nearest[np.abs(nearest) <= circle_us / 2]


def kept_beat(click_us: int | None, beat_us: float) -> float | None:
    """The beat by a metronome, whose clicks are beats, or so many of them or to one; None where it is not kept."""
    if click_us is None or beat_us <= 0:
        return None
    nearest = min((click_us / beats for beats in CLICK_BEATS), key=lambda one: abs(math.log(one / beat_us)))
    return nearest if abs(math.log(nearest / beat_us)) <= KEPT_WITHIN else None


def pair_verdict(ratio: float, factor: float, written: float) -> PairVerdict:
    """What a ratio of long to short comes to, beside the written one, where it may be off by a factor."""
    limit, unsure = math.log(written) / 2, math.log(factor)
    at = math.log(ratio)
    if at - unsure > limit:
        return "pointed"
    if at + unsure < -limit:
        return "backwards"
    return "even" if abs(at) + unsure < limit else "unclear"
