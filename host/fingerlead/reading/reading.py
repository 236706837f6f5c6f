"""The reading: the cheapest way to explain all that sounded as melody notes with something, or nothing, between them.

Question: which stretches are melody notes? A row of stretches is read as a walk from one melody note to the next; what
lies between two of them is explained by `between`, at the prices of `costs`. The walk that costs least is found by
dynamic programming (A. J. Viterbi, IEEE Transactions on Information Theory 13, 1967) over melody notes, each step of
which skips what is not one.

Conventions: a *stretch* is an unbroken sounding note; notes 0 to 8, NO_NOTE for hands off; times in integer µs.

Batch and live are one: `read` reads what there is and says how far that is settled. A melody note is settled once every
walk that what comes next could prolong passes through it; from there on reading may begin anew, with the same result.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

from fingering.moves import possible_strays
from fingerlead.reading.costs import FREE, MOST_INNER, NEVER, WRITTEN
from fingerlead.reading.music import ANY, MOST_SOUNDS, Music, Place
from fingerlead.reading.pricing import NO_NOTE, DoubtKind, Gap, Pricing, Stretches

# Walks that are so much dearer than the cheapest are given up; so are those that parted from it long ago, for they
# differ only in how often the player went back or left something out. Long ago is told in stretches: a clock's would
# make the reading hang on when it was started, and on the tempo.
FAR_DEARER = 9_000
SPELL = 16
MOST_WALKS = 8
# Where music is not known, or hands are off, no note brings the player anywhere.
NOWHERE = Place(0, 0, (), False)
# Music unknown: a stray may be so long, where it is shorter than a third of both notes around it.
PERHAPS_US = 250_000


class Melody(NamedTuple):
    """A melody note: its place among the stretches, and in which music (by number) it brings the player where.

    `written` is False for one that is not written there, or where no music is known.
    """

    at: int
    music: int
    position: int
    written: bool


@dataclass(slots=True)
class Reading:
    """The melody notes in order, and what stands between neighbours that no hands off part.

    `settled` is the place in `melody` up to which the reading stands for good, whatever comes next; None where there is
    none yet. `doubt_after` is what there is to doubt about the change after it.
    """

    melody: list[Melody] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    settled: int | None = None
    doubt_after: DoubtKind | None = None


@dataclass(slots=True)
class _Step:
    """The cheapest walk to a melody note at a position: what it costs, the step before it, and what lies between.

    `lately` are the steps with which the walk came into the last two spells of SPELL stretches.
    """

    at: int
    place: Place
    cost: int
    before: "_Step | None"
    gap: Gap
    lately: tuple[tuple[int, int], tuple[int, int]]


# Ways to a melody note by the position that they bring the player to: what one costs, and what it is.
_Found = dict[int, tuple[int, Place, _Step | None, Gap]]


class Carried(NamedTuple):
    """Where reading goes on: at a settled melody note, and the walks to it and to what was closed after it.

    All walks that still compete are carried, so that what was given up stays given up: a reading that goes on is the
    same as one that never stopped.
    """

    melody: Melody
    steps: tuple[dict[int, _Step], ...]


class NoteReader:
    """Reads stretches against music; where none is known, any note may follow any.

    `musics` are in order of time and do not overlap. `carried` is what was read before of the first stretches, of which
    the first is a melody note. `number` is that of the first stretch in the whole performance.
    """

    def __init__(
        self,
        stretches: Stretches,
        heard_us: int,
        musics: Sequence[Music] = (),
        *,
        carried: Carried | None,
        final: bool,
        number: int = 0,
    ) -> None:
        self.s, self._number = stretches, number
        self._musics = [*musics, ANY]
        self._is_carried, self._final = carried is not None, final
        self._steps: list[dict[int, _Step]] = [] if carried is None else list(carried.steps)
        # The last stretch of all may sound on: no length counts against it.
        self._sounds_on = len(stretches) - 1 if final else -1
        self._music_of = self._music_numbers()
        costs_of = [WRITTEN if music.is_known else FREE for music in self._musics]
        costs = [costs_of[number] for number in self._music_of]
        self.prices = Pricing(stretches, heard_us, costs, self._sounds_on)

    def read(self) -> Reading:
        """The reading of all stretches; where it is not final, more will come, and `settled` says what is certain."""
        s, count = self.s, len(self.s)
        for at in range(len(self._steps), count):
            self._steps.append(self._reach(at) if self.prices.heard[at] else {})
        ends = self._frontier(count)
        if not ends:
            return Reading()
        # What is left over at the end is explained as little as what stands before the first note.
        best = min(ends, key=lambda step: (step.cost + self.prices.left_over(step.at + 1, count), -step.at))
        walk = _walk(best)
        reading = Reading([self._melody(step) for step in walk if s.note[step.at] != NO_NOTE])
        for before, step in pairwise(walk):
            if s.note[before.at] != NO_NOTE and s.note[step.at] != NO_NOTE:
                gap = replace(step.gap, doubt="unclear" if self.prices.is_unclear(step.gap) else None)
                reading.gaps.append(gap)
        for one, after in pairwise(reading.gaps):
            if one.last == after.first:
                self._doubt_between(one, after)
        if not self._final:
            self._settle(reading, ends)
        return reading

    def carry(self, reading: Reading) -> Carried | None:
        """What to go on with from where a reading is settled; None where it is not."""
        if reading.settled is None:
            return None
        melody = reading.melody[reading.settled]
        base, copies = melody.at, dict[int, _Step]()
        rows = []
        for at in range(base, len(self._steps)):
            row = {}
            for position, step in self._steps[at].items():
                gap, before = step.gap, None if step.before is None else copies.get(id(step.before))
                sounds = tuple(sound - base for sound in gap.sounds)
                shifted = Gap(gap.first - base, gap.last - base, sounds, gap.why, gap.graces)
                row[position] = copies[id(step)] = replace(step, at=at - base, before=before, gap=shifted)
            rows.append(row)
        return Carried(melody._replace(at=0), tuple(rows))

    def _melody(self, step: _Step) -> Melody:
        number = self._music_of[step.at]
        known = self._musics[number].is_known
        return Melody(step.at, number, step.place.position, known and step.place.written)

    def _music_numbers(self) -> list[int]:
        """The music that each stretch belongs to: the one in which it begins."""
        numbers, number, none = [], 0, len(self._musics) - 1
        for start_us in self.s.start_us:
            while number < none and self._musics[number].end_us <= start_us:
                number += 1
            inside = number < none and self._musics[number].start_us <= start_us
            numbers.append(number if inside else none)
        return numbers

    def _frontier(self, count: int) -> list[_Step]:
        """The walks that could go on beyond the end."""
        ends: list[_Step] = []
        inner = 0
        for at in range(count - 1, -1, -1):
            ends += self._steps[at].values()
            inner += self.prices.heard[at]
            if self.prices.breaks(at) or inner > MOST_INNER:
                break
        return ends

    def _reach(self, at: int) -> dict[int, _Step]:
        """The cheapest walks to a stretch as a melody note, by position; those that are far dearer are dropped."""
        found: _Found = {}
        jump: tuple[int, _Step, Gap] | None = None
        own = self.prices.own(at)
        sounds: tuple[int, ...] = ()
        begins: Iterable[Place] = ()
        most, inner = self._musics[self._music_of[at]].most_sounds, 0
        for before in range(at - 1, -1, -1):
            # Only what is heard counts: a sensor that chatters must not part the notes around it for good.
            if inner > MOST_INNER:
                break
            inner += self.prices.heard[before]
            # Hands come off, and on, over as many sounds as there are.
            if self._steps[before] and (len(sounds) <= most or NO_NOTE in (self.s.note[before], self.s.note[at])):
                way = self._step_from(before, at, sounds, own, found)
                if way is not None and (jump is None or way[0] < jump[0]):
                    jump = way
            if self.prices.breaks(before) or self.prices.outlasts(before, at):
                break
            # One note that something unheard interrupts is one sound.
            if self.prices.heard[before] and not (sounds and self.s.note[sounds[0]] == self.s.note[before]):
                sounds = (before, *sounds)
                if len(sounds) > MOST_SOUNDS:
                    break
        else:
            # Nothing parts it from the first stretch of all.
            begins = () if self._is_carried else self._begins(at)
        if jump is not None and self.s.note[at] != NO_NOTE:
            self._jump(at, own, jump, found)
        for place in begins:
            cost = own + self.prices.left_over(0, at) + place.cost
            _add(found, place, cost, None, Gap(-1, at))
        return self._likely(at, found)

    def _begins(self, at: int) -> Iterable[Place]:
        """Where a first melody note of its music may stand."""
        music, note = self._musics[self._music_of[at]], self.s.note[at]
        if not music.is_known or note == NO_NOTE:
            return (NOWHERE,)
        return (*music.goes_on(0, note), *music.jumps(0, note, after_pause=False))

    def _step_from(
        self, before: int, at: int, sounds: tuple[int, ...], own: int, found: _Found
    ) -> tuple[int, _Step, Gap] | None:
        """Go on from a melody note to another; gives the cheapest way there, wherever in the music that is."""
        s, number = self.s, self._music_of[at]
        music = self._musics[number]
        steps = self._steps[before]
        cheapest = min(steps.values(), key=_cost)
        limit = min(way[0] for way in found.values()) if found else NEVER
        if music.is_known:
            limit += FAR_DEARER
        if cheapest.cost + own >= limit:
            return None
        plain, gap = self.prices.between(before, at, sounds)
        if plain >= NEVER:
            return None
        if not music.is_known:
            _add(found, NOWHERE, cheapest.cost + own + plain, cheapest, gap)
            return None
        way = None
        if self._music_of[before] == number:
            way = cheapest.cost + plain, cheapest, gap
        else:
            for place in self._begins(at):
                _add(found, place, cheapest.cost + own + plain + place.cost, cheapest, gap)
        note, from_off = s.note[at], s.note[before] == NO_NOTE
        # Where grace notes are written, they may explain what is dear without.
        least = 0 if music.has_graces and not from_off else plain
        if cheapest.cost + own + least >= limit:
            return way
        for position, so_far, step in self._stands(before, steps, music, cheapest):
            cost = so_far + own
            if cost + least >= limit:
                continue
            if note == NO_NOTE:
                _add(found, Place(position, 0, (), False), cost + plain, step, gap)
                continue
            for place in music.goes_on(position, note):
                total = cost + place.cost
                if total >= limit:
                    continue
                if place.graces and not from_off:
                    embellished, why = self.prices.embellished(gap, plain, place.graces)
                    _add(found, place, total + embellished, step, why)
                elif total + plain < limit:
                    _add(found, place, total + plain, step, gap)
        return way

    def _stands(
        self, before: int, steps: dict[int, _Step], music: Music, cheapest: _Step
    ) -> Iterable[tuple[int, int, _Step]]:
        """Where in a music the player stands after a melody note: the position, its price, and the step to the note."""
        other, s = self._musics[self._music_of[before]], self.s
        goes_on = [(position, step.cost, step) for position, step in steps.items()]
        if other is music:
            return goes_on
        # The same notes may go on where they were, at another tempo or stage.
        stands = goes_on if other.is_known and other.notes == music.notes else []
        if s.note[before] != NO_NOTE and s.start_us[before] + s.length_us[before] >= music.start_us:
            # The note that sounds as the music begins may be its first.
            firsts = music.goes_on(0, s.note[before])
            stands += [(first.position, cheapest.cost + first.cost, cheapest) for first in firsts if first.written]
        return stands

    def _jump(self, at: int, own: int, way: tuple[int, _Step, Gap], found: _Found) -> None:
        """Go back, or on to a later bar, by the cheapest way to a melody note."""
        cost, step, gap = way
        music, from_off = self._musics[self._music_of[at]], self.s.note[step.at] == NO_NOTE
        limit = min(one[0] for one in found.values()) + FAR_DEARER if found else NEVER
        # Where grace notes are written, they may explain what is dear without.
        most = limit - own - (step.cost if music.has_graces and not from_off else cost)
        for place in music.jumps(step.place.position, self.s.note[at], after_pause=from_off, most=most):
            total = cost + own + place.cost
            if place.graces and not from_off:
                embellished, why = self.prices.embellished(gap, cost - step.cost, place.graces)
                _add(found, place, total + embellished - (cost - step.cost), step, why)
            else:
                _add(found, place, total, step, gap)

    def _likely(self, at: int, found: _Found) -> dict[int, _Step]:
        """The walks worth going on with: not far dearer than the cheapest, and one with it some seconds ago."""
        by_cost = sorted((way[0], position) for position, way in found.items())
        steps = {
            position: self._step(at, *found[position])
            for cost, position in by_cost[:MOST_WALKS]
            if cost - by_cost[0][0] < FAR_DEARER
        }
        if len(steps) < 2:
            return steps
        best = steps[by_cost[0][1]]
        return {position: step for position, step in steps.items() if step.lately[1] == best.lately[1]}

    def _step(self, at: int, cost: int, place: Place, before: _Step | None, gap: Gap) -> _Step:
        lately = ((0, 0), (0, 0)) if before is None else before.lately
        if before is not None and (self._number + before.at) // SPELL != (self._number + at) // SPELL:
            lately = ((self.s.start_us[at], place.position), lately[0])
        return _Step(at, place, cost, before, gap, lately)

    def _settle(self, reading: Reading, ends: Sequence[_Step]) -> None:
        """Find how far all walks to `ends` are one: a melody note of that stretch whose next is in it too."""
        walks = [[(step.at, step.place.position) for step in _walk(end)] for end in ends]
        common = walks[0]
        for walk in walks[1:]:
            common = [one for one, other in zip(common, walk, strict=False) if one == other]
        last = max((at for at, _ in common[:-1] if self.s.note[at] != NO_NOTE), default=None)
        if last is not None:
            reading.settled = next(place for place, melody in enumerate(reading.melody) if melody.at == last)
            reading.doubt_after = next((gap.doubt for gap in reading.gaps if gap.first == last), None)

    def _doubt_between(self, one: Gap, after: Gap) -> None:
        """Doubt both changes around a melody note that may be none. With the music known, its order decides."""
        s, at = self.s, one.last
        if self.prices.is_known(at):
            return
        if self.prices.merges_as_well(one, after):
            one.doubt = after.doubt = "unclear"
        elif (
            s.length_us[at] < PERHAPS_US
            and all(
                3 * s.length_us[at] < s.length_us[beside] or beside == self._sounds_on
                for beside in (one.first, after.last)
            )
            and s.note[at] in possible_strays(s.note[one.first], s.note[after.last])
            and "movement" not in (one.why.kind, after.why.kind)
        ):
            one.doubt, after.doubt = one.doubt or "perhaps", after.doubt or "perhaps"


def _add(found: _Found, place: Place, cost: int, before: _Step | None, gap: Gap) -> None:
    """Keep the cheapest way to each position."""
    known = found.get(place.position)
    if known is None or cost < known[0]:
        found[place.position] = cost, place, before, gap


def _cost(step: _Step) -> int:
    return step.cost


def _walk(step: _Step | None) -> list[_Step]:
    """The steps that lead to one, in order of time."""
    walk: list[_Step] = []
    while step is not None:
        walk.append(step)
        step = step.before
    return walk[::-1]
