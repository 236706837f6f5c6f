"""What was meant: a tune as written, and the notes that it asks for in the order they are played.

Notes are indices 0 to 8 into `fingering.notes.NOTES`; lengths are exact fractions of a whole note. A tune is a value:
two tunes are equal when the same music is written, wherever in a file it stands. No input or output here.

An `Expectation` is what a tune or an exercise asks a chanter to hold, in order. A chanter cannot part two equal notes
without a grace note or a rest between them: such a pair is one held note.

Its `Rhythm` counts beats: the dotted note in a compound meter (6/8, 9/8, 12/8), else the meter's own note. A dotted or
cut pair fills its own place in a beat, or whole beats, within one bar; notes that sound as one are in no pair.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Literal

from fingering.notes import NOTES
from fingerlead.reading.music import Rhythm

Barline = Literal["", "|", "||", "|]", "[|"]

# A repeat sign can ask for more than twice (ABC 2.1, section 4.8); no player repeats a part more often than this.
MOST_TIMES = 9
# How long to short in a dotted and in a cut pair; in a compound meter also the latter. Common practice.
_POINTED = (Fraction(3), Fraction(1, 3))
_SWUNG = (Fraction(2), Fraction(1, 2))


@dataclass(frozen=True, slots=True)
class Tuplet:
    """Where a note stands in a group of `r` notes played `p` in the time of `q`; `place` counts from 0."""

    p: int
    q: int
    r: int
    place: int


@dataclass(frozen=True, slots=True)
class Note:
    """One written note, or a rest where `note` is None.

    `length` is as it sounds, a tuplet's members shortened already; `written` is the length on the staff. `graces` sound
    before it; `grace_lengths` are in the units of the grace group and empty where all are one; `slashed` graces are
    drawn with a stroke. `tie` joins it to the next note, `beam` draws it under one beam with the next. `word` is the
    syllable below: a hyphen at its end leads on to the next, "_" is a held syllable. `line` and `column` count from 1.
    """

    note: int | None
    length: Fraction
    graces: tuple[int, ...] = ()
    grace_lengths: tuple[Fraction, ...] = ()
    slashed: bool = False
    tie: bool = False
    beam: bool = False
    tuplet: Tuplet | None = None
    word: str | None = None
    line: int = field(default=0, compare=False)
    column: int = field(default=0, compare=False)

    @property
    def written(self) -> Fraction:
        """The length on the staff: a triplet's eighth is an eighth."""
        return self.length if self.tuplet is None else self.length * self.tuplet.p / self.tuplet.q


@dataclass(frozen=True, slots=True)
class Bar:
    """The notes up to a bar line.

    `opens` begins a repeat. `ending` holds the numbers of the ending that begins here. `times` is 1, or how often in
    all a repeat that closes here is played. `barline` stands after it ("" where the tune stops without one). `meter` is
    the new one where it changes here. `ends_line`: the next bar begins a new line of music.
    """

    notes: tuple[Note, ...]
    barline: Barline = "|"
    opens: bool = False
    ending: tuple[int, ...] = ()
    times: int = 1
    meter: tuple[int, int] | None = None
    ends_line: bool = False

    @property
    def length(self) -> Fraction:
        """The length of its notes together."""
        return sum((note.length for note in self.notes), Fraction(0))


@dataclass(frozen=True, slots=True)
class Expected:
    """One note as it is to be played: repeats unfolded, ties joined.

    `bar` and `place` say where it is written: `tune.bars[bar].notes[place]`. `starts_at` counts from the tune's start.
    """

    note: int
    length: Fraction
    graces: tuple[int, ...]
    bar: int
    place: int
    starts_at: Fraction


@dataclass(frozen=True, slots=True)
class Tune:
    """A tune as written. `meter` None is free time; `tempo` is in quarter notes a minute, None where none is given.

    `key` HP prints no signature, Hp prints two sharps; both sound the chanter's scale (ABC 2.1, section 4.6).
    """

    number: int
    title: str
    bars: tuple[Bar, ...]
    composer: str = ""
    rhythm: str = ""
    meter: tuple[int, int] | None = None
    unit: Fraction = Fraction(1, 8)
    tempo: Fraction | None = None
    key: Literal["HP", "Hp"] = "HP"
    source_name: str = field(default="", compare=False)

    @property
    def first_bar_number(self) -> int:
        """1, or 0 where the tune begins with an upbeat: a first bar shorter than the meter asks for."""
        return first_bar_number(self.meter, self.bars)

    def bar_order(self) -> list[int]:
        """The bars in the order they are played, repeats and endings unfolded; indices into `bars`."""
        order: list[int] = []
        for part in _parts(self.bars):
            endings = _endings(self.bars, part)
            times = max([self.bars[index].times for index in part] + [n for e in endings if e for n in e])
            for time in range(1, min(times, MOST_TIMES) + 1):
                order += [
                    index for index, ending in zip(part, endings, strict=True) if ending is None or time in ending
                ]
        return order

    def played(self) -> list[Expected]:
        """The notes to be played, in order. Rests are left out, but count in `starts_at`."""
        played: list[Expected] = []
        now, tied = Fraction(0), False
        for bar in self.bar_order():
            for place, note in enumerate(self.bars[bar].notes):
                if note.note is None:
                    tied = False
                elif tied and played and played[-1].note == note.note and not note.graces:
                    played[-1] = replace(played[-1], length=played[-1].length + note.length)
                    tied = note.tie
                else:
                    played.append(Expected(note.note, note.length, note.graces, bar, place, now))
                    tied = note.tie
                now += note.length
        return played


def first_bar_number(meter: tuple[int, int] | None, bars: tuple[Bar, ...] | list[Bar]) -> int:
    """1, or 0 where the first of two or more bars is shorter than the meter asks for."""
    if meter is None or len(bars) < 2:
        return 1
    return 0 if bars[0].length < Fraction(*(bars[0].meter or meter)) else 1


def _parts(bars: tuple[Bar, ...]) -> Iterator[range]:
    """Stretches that are played as one: repeated as a whole with all their endings, or played once.

    A repeat with no sign where it opens goes back to the last double bar line or closed repeat (ABC 2.1, section 4.8).
    """
    begin, is_open, is_closed, in_ending = 0, False, False, False
    for index, bar in enumerate(bars):
        after = bars[index + 1] if index + 1 < len(bars) else None
        is_open, in_ending = is_open or bar.opens, in_ending or bool(bar.ending)
        # What follows a closed repeat as a later ending still belongs to it.
        goes_on = after is not None and bool(after.ending) and 1 not in after.ending
        double = bar.barline not in ("", "|") and (is_closed or not (is_open or in_ending))
        if after is None or after.opens or ((bar.times > 1 or double) and not goes_on):
            yield range(begin, index + 1)
            begin, is_open, is_closed, in_ending = index + 1, False, False, False
        else:
            is_closed = is_closed or bar.times > 1


def _endings(bars: tuple[Bar, ...], part: range) -> list[tuple[int, ...] | None]:
    """For each bar of a part the ending it belongs to, None where it is played every time."""
    endings: list[tuple[int, ...] | None] = [None]
    for index in part:
        endings.append(bars[index].ending or endings[-1])
    return endings[1:]


class ExpectationError(ValueError):
    """Nothing, or nothing playable, to compare with."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One note to be held, 0 to 8, and the grace notes before it.

    `bar` is its number as players count, None without bars; `begins_bar` where it is the first of its bar; `place` is
    (index of the bar, index of the note in it) in the tune. `rhythm` is None without a meter.
    """

    note: int
    graces: tuple[int, ...] = ()
    bar: int | None = None
    begins_bar: bool = False
    place: tuple[int, int] | None = None
    rhythm: Rhythm | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is to be held, under the name of the tune."""

    name: str
    notes: tuple[Wanted, ...]


def expect(what: Tune | Sequence[int] | Expectation, name: str = "") -> Expectation:
    """What a tune, or a plain row of notes 0 to 8, asks for; raises ExpectationError where that is no note at all."""
    if isinstance(what, Expectation):
        expectation = what
    elif isinstance(what, Tune):
        expectation = Expectation(name or what.title or f"tune {what.number}", _of_tune(what))
    else:
        expectation = Expectation(name, _of_notes(what))
    if not expectation.notes:
        title = f" {expectation.name!r}" if expectation.name else ""
        raise ExpectationError(f"expected an exercise with notes to play; the exercise{title} has none")
    return expectation


def _of_notes(notes: Sequence[int]) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    for note in notes:
        if note not in range(len(NOTES)):
            raise ExpectationError(f"expected notes from 0 to {len(NOTES) - 1}, low G to high A; got {note!r}")
        if not wanted or wanted[-1].note != note:
            wanted.append(Wanted(note))
    return tuple(wanted)


def _of_tune(tune: Tune) -> tuple[Wanted, ...]:
    wanted: list[Wanted] = []
    first, bar_before = tune.first_bar_number, (-1, -1)
    for note, joined, rhythm in _rhythms(tune):
        if not joined:
            # A bar that is played again begins anew: its places start over.
            begins_bar = note.bar != bar_before[0] or note.place <= bar_before[1]
            place = note.bar, note.place
            wanted.append(Wanted(note.note, note.graces, note.bar + first, begins_bar, place, rhythm))
        bar_before = (note.bar, note.place)
    return tuple(wanted)


def beat_of(meter: tuple[int, int]) -> Fraction:
    """The length of a beat, as a part of a whole note."""
    return Fraction(3 if is_compound(meter) else 1, meter[1])


def is_compound(meter: tuple[int, int]) -> bool:
    """Whether its beats are made of three."""
    return meter[0] > 3 and meter[0] % 3 == 0 and meter[1] >= 8


def _rhythms(tune: Tune) -> Iterator[tuple[Expected, bool, Rhythm | None]]:
    """The notes to be played, whether each joins the one before it, and its rhythm (None without a meter)."""
    played = tune.played()
    joined = [False] * (len(played) + 1)
    for number, (before, note) in enumerate(pairwise(played), 1):
        joined[number] = before.note == note.note and not note.graces and _follows(before, note)
    if tune.meter is None:
        yield from ((note, join, None) for note, join in zip(played, joined, strict=False))
        return
    offsets = [[Fraction(0), *accumulate(note.length for note in bar.notes)] for bar in tune.bars]
    meters = list(accumulate((bar.meter for bar in tune.bars), lambda old, new: new or old, initial=tune.meter))[1:]
    beat, number, bar_at, paired = beat_of(tune.meter), -1, Fraction(-1), -1
    for place, note in enumerate(played):
        meter, offset = meters[note.bar], offsets[note.bar][note.place]
        assert meter is not None
        if note.starts_at - offset != bar_at:
            number, bar_at = number + 1, note.starts_at - offset
        pair = None
        if place > paired and place + 2 < len(played) and not any(joined[place : place + 3]):
            pair = _pair(played[place : place + 3], offset, offsets[note.bar][-1], meter)
            paired = place if pair is None else place + 1
        on_beat = (offset + _upbeat(tune, note.bar, meters)) % beat_of(meter) == 0
        yield note, joined[place], Rhythm(note.starts_at / beat, number, bar_at / beat, on_beat, pair)


def _follows(before: Expected, note: Expected) -> bool:
    return before.starts_at + before.length == note.starts_at


def _pair(notes: list[Expected], offset: Fraction, bar_length: Fraction, meter: tuple[int, int]) -> Fraction | None:
    """How the first two of three notes share their time, where they are a pair that begins so far into its bar."""
    first, second, after = notes
    whole, beat, ratio = first.length + second.length, beat_of(meter), first.length / second.length
    fills = offset % beat % whole == 0 if whole < beat else offset % beat == 0
    known = ratio in _POINTED or (is_compound(meter) and ratio in _SWUNG)
    unbroken = _follows(first, second) and _follows(second, after) and offset + whole <= bar_length
    return ratio if known and fills and unbroken else None


def _upbeat(tune: Tune, bar: int, meters: Sequence[tuple[int, int] | None]) -> Fraction:
    """How much is missing before a bar that is an upbeat: the first bar, or one after a bar that is short too."""

    def short(index: int) -> Fraction:
        return max(Fraction(*(meters[index] or (0, 1))) - tune.bars[index].length, Fraction(0))

    return short(bar) if bar == 0 or short(bar - 1) else Fraction(0)
