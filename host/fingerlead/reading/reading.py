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
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal, NamedTuple

from fingering.moves import possible_strays
from fingering.notes import NOTES
from fingerlead.reading.between import DIRECT, Explanation, are_silent, explanations, written_explanation
from fingerlead.reading.costs import (
    BRIEF_US,
    FREE,
    LONGEST_INNER_US,
    LONGEST_WRITTEN_INNER_US,
    MOST_INNER,
    NEVER,
    SLOW_US,
    WRITTEN,
    Costs,
    log_ratio,
    log_third,
)
from fingerlead.reading.music import ANY, MOST_SOUNDS, Music, Place

DoubtKind = Literal["unclear", "perhaps"]
NO_NOTE = len(NOTES)
# A finger that takes the chanter up or puts it down opens or closes holes one after the other; each stands for less.
OFF_STEP_US = 250_000
# Rightly fingered and so long, it is a note even if the hands come off next.
OFF_NOTE_US = 120_000
# With the music known, a finger moves at least so often meanwhile, whatever sounds; and a note that borders on hands
# off and in which no mask stood for longer costs something.
OFF_STILL_US = 200_000
OFF_BORDER = 2_500
# Walks that are so much dearer than the cheapest are given up; so are those that parted from it long ago, for they
# differ only in how often the player went back or left something out. Long ago is told in stretches: a clock's would
# make the reading hang on when it was started, and on the tempo.
FAR_DEARER = 9_000
SPELL = 16
MOST_WALKS = 8
# Where music is not known, or hands are off, no note brings the player anywhere.
NOWHERE = Place(0, 0, (), False)
# Grace notes that are left out cost no more than so many.
MOST_LEFT_OUT = 3
# Music unknown: a stray may be so long, where it is shorter than a third of both notes around it.
PERHAPS_US = 250_000


@dataclass(slots=True)
class Stretches:
    """Sounding notes in order, as plain lists of one length.

    `start_us` is when each begins. `mask` is the settled mask. `reached` and `left` count the moves of all fingers up
    to where it is first reached and where it is left; `closings` and `openings` those of one kind up to the stretch's
    beginning. `standard`: it is the chart's fingering; `still_us`: for how long one mask stood in it at most. The last
    one may sound on: its length is what is known of it.
    """

    note: list[int]
    start_us: list[int]
    length_us: list[int]
    mask: list[int]
    reached: list[int]
    left: list[int]
    closings: list[int]
    openings: list[int]
    standard: list[bool]
    still_us: list[int]

    def __len__(self) -> int:
        return len(self.note)


@dataclass(slots=True)
class Gap:
    """What stands between two neighbouring melody notes: stretches `first` + 1 to `last` - 1, explained.

    `sounds` are those of them that were heard, `why` explains them; `graces` are the grace notes written there.
    `doubt` is "unclear" where another reading is hardly worse, and "perhaps" beside a melody note so short that it may
    be a stray of the change between its neighbours.
    """

    first: int
    last: int
    sounds: tuple[int, ...] = ()
    why: Explanation = DIRECT
    graces: tuple[int, ...] = ()
    doubt: DoubtKind | None = None


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


class Reader:
    """Reads stretches against music; where none is known, any note may follow any.

    `musics` are in order of time and do not overlap. `carried` is where the first stretch already stands, where it was
    read before; it is then the first melody note. `number` is that of the first stretch in the whole performance.
    """

    def __init__(
        self,
        stretches: Stretches,
        heard_us: int,
        musics: Sequence[Music] = (),
        *,
        carried: Melody | None,
        final: bool,
        number: int = 0,
    ) -> None:
        self.s, self.heard_us, self._number = stretches, heard_us, number
        self._musics = [*musics, ANY]
        self._carried, self._final = carried, final
        self._steps: list[dict[int, _Step]] = []
        # What may be a melody note: hands off, and whatever is heard.
        lengths = zip(stretches.note, stretches.length_us, strict=True)
        self._heard = [note == NO_NOTE or length_us >= heard_us for note, length_us in lengths]
        # The last stretch of all may sound on: no length counts against it.
        self._sounds_on = len(stretches) - 1 if final else -1
        self._music_of = self._music_numbers()
        costs_of = [WRITTEN if music.is_known else FREE for music in self._musics]
        self._costs = [costs_of[number] for number in self._music_of]

    def read(self) -> Reading:
        """The reading of all stretches; where it is not final, more will come, and `settled` says what is certain."""
        s, count = self.s, len(self.s)
        for at in range(count):
            self._steps.append(self._reach(at) if self._heard[at] else {})
        ends = self._frontier(count)
        if not ends:
            return Reading()
        # What is left over at the end is explained as little as what stands before the first note.
        best = min(ends, key=lambda step: (step.cost + self._left_over(step.at + 1, count), -step.at))
        walk = _walk(best)
        reading = Reading([self._melody(step) for step in walk if s.note[step.at] != NO_NOTE])
        for before, step in pairwise(walk):
            if s.note[before.at] != NO_NOTE and s.note[step.at] != NO_NOTE:
                if self._is_unclear(step.gap):
                    step.gap.doubt = "unclear"
                reading.gaps.append(step.gap)
        for one, after in pairwise(reading.gaps):
            if one.last == after.first:
                self._doubt_between(one, after)
        if not self._final:
            self._settle(reading, ends)
        return reading

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
            inner += self._heard[at]
            if self._breaks(at) or inner > MOST_INNER:
                break
        return ends

    def _breaks(self, at: int) -> bool:
        """Whether a stretch cannot lie between two melody notes."""
        if self.s.note[at] == NO_NOTE:
            return True
        known = self._musics[self._music_of[at]].is_known
        return self.s.length_us[at] >= (LONGEST_WRITTEN_INNER_US if known else LONGEST_INNER_US)

    def _outlasts(self, inner: int, last: int) -> bool:
        """Whether a stretch is too long, beside the melody note that would follow, to be anything but one itself."""
        costs, length_us = self._costs[last], self.s.length_us[inner]
        return bool(costs.short) and last != self._sounds_on and 100 * length_us > costs.ratio * self.s.length_us[last]

    def _left_over(self, begin: int, stop: int) -> int:
        """The price of stretches that belong to no walk: before the first melody note, or after the last."""
        return sum(self._costs[at].extra for at in range(begin, stop) if self._heard[at])

    def _reach(self, at: int) -> dict[int, _Step]:
        """The cheapest walks to a stretch as a melody note, by position; those that are far dearer are dropped."""
        found: _Found = {}
        jump: tuple[int, _Step, Gap] | None = None
        own = self._own(at)
        sounds: tuple[int, ...] = ()
        first = True
        most, inner = self._musics[self._music_of[at]].most_sounds, 0
        for before in range(at - 1, -1, -1):
            # Only what is heard counts: a sensor that chatters must not part the notes around it for good.
            if inner > MOST_INNER:
                first = False
                break
            inner += self._heard[before]
            # Hands come off, and on, over as many sounds as there are.
            if self._steps[before] and (len(sounds) <= most or NO_NOTE in (self.s.note[before], self.s.note[at])):
                way = self._step_from(before, at, sounds, own, found)
                if way is not None and (jump is None or way[0] < jump[0]):
                    jump = way
            if self._breaks(before) or self._outlasts(before, at):
                first = False
                break
            # One note that something unheard interrupts is one sound.
            if self._heard[before] and not (sounds and self.s.note[sounds[0]] == self.s.note[before]):
                sounds = (before, *sounds)
                if len(sounds) > MOST_SOUNDS:
                    first = False
                    break
        if jump is not None and self.s.note[at] != NO_NOTE:
            self._jump(at, own, jump, found)
        if self._carried is not None and at == 0:
            _add(found, Place(self._carried.position, 0, (), self._carried.written), own, None, Gap(-1, at))
        elif first and self._carried is None:
            cost = own + self._left_over(0, at)
            for place in self._begins(at):
                _add(found, place, cost + place.cost, None, Gap(-1, at))
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
        plain, gap = self._between(before, at, sounds)
        if plain >= NEVER:
            return None
        if not music.is_known:
            _add(found, NOWHERE, cheapest.cost + own + plain, cheapest, gap)
            return None
        if self._music_of[before] != number:
            for place in self._begins(at):
                _add(found, place, cheapest.cost + own + plain + place.cost, cheapest, gap)
        way = (cheapest.cost + plain, cheapest, gap) if self._music_of[before] == number else None
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
                    embellished, why = self._embellished(gap, plain, place.graces)
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
        for place in music.jumps(step.place.position, self.s.note[at], after_pause=from_off):
            total = cost + own + place.cost
            if total >= limit:
                continue
            if place.graces and not from_off:
                embellished, why = self._embellished(gap, cost - step.cost, place.graces)
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

    def _own(self, at: int) -> int:
        """The price of a stretch being a melody note, whatever is around it."""
        if self.s.note[at] == NO_NOTE:
            return 0
        length_us, costs = self.s.length_us[at], self._costs[at]
        if length_us >= BRIEF_US or at == self._sounds_on:
            return costs.melody
        return costs.melody - costs.brief * log_ratio(length_us, BRIEF_US) // 1_000

    def _between(self, first: int, last: int, sounds: tuple[int, ...]) -> tuple[int, Gap]:
        """The cheapest explanation of what was heard between two melody notes, and its price."""
        if NO_NOTE in (self.s.note[first], self.s.note[last]):
            return self._coming_off(first, last, sounds)
        cost = self._short(first, last)
        if not sounds:
            return cost, Gap(first, last)
        found, why = self._explained(first, last, sounds)
        return cost + found, Gap(first, last, sounds, why)

    def _explained(self, first: int, last: int, sounds: tuple[int, ...]) -> tuple[int, Explanation]:
        s, costs = self.s, self._costs[last]
        shorter_us = self._shorter(first, last)
        returned = s.reached[last] - s.left[first] > (s.mask[first] ^ s.mask[last]).bit_count()
        best, why = NEVER, DIRECT
        for one in explanations(s.note[first], s.note[last], self._notes(sounds), returned, costs):
            if one.cost >= best:
                break
            cost = one.cost + self._lengths(one, sounds, (s.note[first], s.note[last]), shorter_us, costs)
            if cost < best:
                best, why = cost, one
        extra = self._extra(sounds, shorter_us, costs)
        return (extra, Explanation("extra", extra)) if extra < best else (best, why)

    def _embellished(self, gap: Gap, plain: int, graces: tuple[int, ...]) -> tuple[int, Gap]:
        """What was heard as the written grace notes, or as something else with these left out."""
        s, costs = self.s, self._costs[gap.last]
        if are_silent(s.note[gap.first], s.note[gap.last], graces):
            return plain, gap
        left_out = plain + min(len(graces), MOST_LEFT_OUT) * costs.missing
        best = Gap(gap.first, gap.last, gap.sounds, gap.why, graces)
        if not gap.sounds:
            return left_out, best
        why = written_explanation(s.note[gap.first], s.note[gap.last], graces, self._notes(gap.sounds), costs)
        if why.cost >= NEVER:
            return left_out, best
        notes = s.note[gap.first], s.note[gap.last]
        cost = why.cost + self._lengths(why, gap.sounds, notes, self._shorter(gap.first, gap.last), costs)
        if cost < left_out:
            return cost, Gap(gap.first, gap.last, gap.sounds, why, graces)
        return left_out, best

    def _notes(self, sounds: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(self.s.note[at] for at in sounds)

    def _shorter(self, first: int, last: int) -> int:
        """The length of the shorter of two melody notes; one that sounds on may yet be of any length."""
        lengths = self.s.length_us
        return lengths[first] if last == self._sounds_on else min(lengths[first], lengths[last])

    def _short(self, first: int, last: int) -> int:
        """The price of two melody notes being so unlike in length."""
        lengths, costs = self.s.length_us, self._costs[last]
        if last == self._sounds_on or not costs.short:
            return 0
        shorter_us, longer_us = sorted((lengths[first], lengths[last]))
        if shorter_us >= OFF_STEP_US or 3 * shorter_us >= longer_us:
            return 0
        return -costs.short * log_third(shorter_us, longer_us) // 1_000

    def _lengths(
        self, why: Explanation, sounds: tuple[int, ...], notes: tuple[int, int], shorter_us: int, costs: Costs
    ) -> int:
        """The price of the lengths in an explanation of what was heard between two notes."""
        cost = 0
        for place, at in enumerate(sounds):
            length_us = self.s.length_us[at]
            if place not in why.notes:
                bounced = self.s.note[at] in notes and length_us >= BRIEF_US
                if bounced or not self._may_be_stray(length_us, shorter_us, costs):
                    return NEVER
                continue
            if 100 * length_us > costs.ratio * shorter_us or length_us >= LONGEST_INNER_US:
                return NEVER
            cost += max(0, costs.long * (log_third(length_us, shorter_us) + 100) // 1_000)
            cost += max(0, costs.slow * log_ratio(length_us, SLOW_US) // 1_000)
        return cost

    def _may_be_stray(self, length_us: int, shorter_us: int, costs: Costs) -> bool:
        if costs.short:
            return length_us < costs.stray_us and 100 * length_us <= costs.ratio * shorter_us
        return length_us <= costs.stray_us or 2 * length_us < shorter_us

    def _extra(self, sounds: tuple[int, ...], shorter_us: int, costs: Costs) -> int:
        """The price of leaving what was heard unexplained."""
        long = sum(not self._may_be_stray(self.s.length_us[at], shorter_us, costs) for at in sounds)
        return costs.extra * len(sounds) + costs.extra_long * long

    def _coming_off(self, first: int, last: int, sounds: tuple[int, ...]) -> tuple[int, Gap]:
        """The price of what sounds while the hands come off, or on: one hole after the other, or hardly heard."""
        s = self.s
        begin = first + 1
        off = s.note[last] == NO_NOTE
        wrong_way = s.closings if off else s.openings
        one_way = begin < last and wrong_way[last] == wrong_way[begin]
        border = first if off else last
        cost = OFF_BORDER if self._is_known(border) and border != self._sounds_on and self._is_step(border) else 0
        for at in range(begin, last):
            if s.length_us[at] >= OFF_STEP_US and not (self._is_known(at) and self._is_step(at)):
                return NEVER, Gap(first, last, sounds)
            if s.length_us[at] >= self.heard_us:
                cost += 1 if one_way and self._is_step(at) else self._costs[at].extra
        return cost, Gap(first, last, sounds)

    def _is_step(self, at: int) -> bool:
        """Whether a stretch may be a step of hands coming off or on."""
        if self._is_known(at):
            return self.s.still_us[at] < OFF_STILL_US
        return self.s.length_us[at] < (OFF_NOTE_US if self.s.standard[at] else OFF_STEP_US)

    def _is_known(self, at: int) -> bool:
        return self._musics[self._music_of[at]].is_known

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
        if not self._costs[at].short:
            return
        if self._merges_as_well(one, after):
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

    def _is_unclear(self, gap: Gap) -> bool:
        """Whether the same sounds read as a melody note between two others would be hardly worse."""
        costs = self._costs[gap.last]
        if not gap.sounds or not costs.short:
            return False
        first, last = gap.first, gap.last
        cost, _ = self._between(first, last, gap.sounds)
        for at in gap.sounds:
            before = tuple(one for one in gap.sounds if one < at)
            after = tuple(one for one in gap.sounds if one > at)
            parted = self._between(first, at, before)[0] + self._between(at, last, after)[0]
            if parted + self._own(at) - cost < costs.unclear:
                return True
        return False

    def _merges_as_well(self, one: Gap, after: Gap) -> bool:
        """Whether the melody note between two gaps could hardly be worse read as lying within one."""
        at = after.first
        if self._outlasts(at, one.first) or self._outlasts(at, after.last) or self._breaks(at):
            return False
        if len(one.sounds) + len(after.sounds) >= MOST_INNER:
            return False
        apart = self._between(one.first, at, one.sounds)[0] + self._between(at, after.last, after.sounds)[0]
        sounds = (*one.sounds, at, *after.sounds)
        merged = self._between(one.first, after.last, sounds)[0]
        return merged - apart - self._own(at) < self._costs[at].unclear


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
