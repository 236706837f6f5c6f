"""What stretches cost as parts of a performance: as melody notes, between two of them, beside hands off.

Question: how unlikely is it that this stretch is a melody note, that these sounds stood between those two, that the
hands came off here? Prices are those of `costs`, explanations those of `between`; lengths are weighed here. Which walk
through all stretches is cheapest is asked by `reading`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from typing import Literal

from fingering.movements import Repertoire
from fingerlead.reading.between import (
    DIRECT,
    STANDARD,
    Explanation,
    are_silent,
    long_on_purpose,
    written_explanation,
)
from fingerlead.reading.costs import (
    BRIEF_US,
    FREE,
    LONGEST_INNER_US,
    LONGEST_WRITTEN_INNER_US,
    MOST_INNER,
    NEVER,
    SLOW_US,
    WRITTEN,
    Tariff,
    log_ratio,
    log_third,
)
from fingerlead.reading.music import NO_NOTE
from fingerlead.reading.sounded import SoundedNotes, single_notes

DoubtKind = Literal["unclear", "perhaps"]
# A finger that takes the chanter up or puts it down opens or closes holes one after the other; each stands for less.
OFF_STEP_US = 250_000
# Rightly fingered and so long, it is a note even if the hands come off next.
OFF_NOTE_US = 120_000
# With the music known, a finger moves at least so often meanwhile, whatever sounds; and a note that borders on hands
# off and in which no mask stood for longer costs something.
OFF_STILL_US = 200_000
OFF_BORDER = 2_500
# Grace notes that are left out cost no more than so many.
MOST_LEFT_OUT = 3
NOTHING_HELD: Mapping[int, int] = {}


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


class Pricing:
    """The prices of stretches, the first of which is number 0; `costs` are those of the music that each stands in.

    `known` are the movements that there are.
    `sounds_on` is the last stretch where it may sound on, so that no length counts against it; -1 where there is none.
    """

    def __init__(
        self,
        stretches: Stretches,
        heard_us: int,
        costs: Sequence[Tariff],
        sounds_on: int,
        known: Repertoire = STANDARD,
    ) -> None:
        self._s, self._heard_us, self.costs, self._sounds_on = stretches, heard_us, costs, sounds_on
        self._known = known
        self._sounded = {costs: single_notes(costs, known) for costs in (FREE, WRITTEN)}
        lengths = list(zip(stretches.note, stretches.length_us, strict=True))
        # What may be a melody note: hands off, and whatever is heard.
        self.heard = [note == NO_NOTE or length_us >= heard_us for note, length_us in lengths]
        # What cannot lie between two melody notes.
        longest_us = (LONGEST_WRITTEN_INNER_US if one is WRITTEN else LONGEST_INNER_US for one in costs)
        self.breaks = [
            note == NO_NOTE or length_us >= most_us
            for (note, length_us), most_us in zip(lengths, longest_us, strict=True)
        ]
        # How many before each last too long for a stray, but beside a note that is longer yet.
        self._long = list(accumulate((length_us > WRITTEN.stray_us for _, length_us in lengths), initial=0))

    def longest_before(self, last: int) -> int:
        """A stretch longer than this is no part of what lies before a melody note, but a melody note itself."""
        if self.is_known(last) or last == self._sounds_on:
            return NEVER
        return self.costs[last].ratio * self._s.length_us[last] // 100

    def left_over(self, begin: int, stop: int) -> int:
        """The price of stretches that belong to no walk: before the first melody note, or after the last."""
        return sum([self._unread(at) for at in range(begin, stop)])

    def _unread(self, at: int) -> int:
        """The price of one stretch that belongs to no walk."""
        costs, s = self.costs[at], self._s
        if not self.heard[at]:
            return 0
        # With the music known, what is too long for a stray is rather a wrong note.
        long = costs is WRITTEN and s.note[at] != NO_NOTE and s.length_us[at] > costs.stray_us
        return costs.extra + costs.extra_long * long

    def own(self, at: int) -> int:
        """The price of a stretch being a melody note, whatever is around it."""
        if self._s.note[at] == NO_NOTE:
            return 0
        length_us, costs = self._s.length_us[at], self.costs[at]
        if length_us >= BRIEF_US or at == self._sounds_on:
            return costs.melody
        return costs.melody - costs.brief * log_ratio(length_us, BRIEF_US) // 1_000

    def sounded_to(self, last: int) -> SoundedNotes:
        """The note of a stretch, before which others may have sounded."""
        return self._sounded[self.costs[last]][self._s.note[last]]

    def between(
        self, first: int, last: int, sounds: tuple[int, ...], notes: SoundedNotes, most: int = NEVER
    ) -> tuple[int, Explanation]:
        """The price of what was heard between two melody notes, and its cheapest explanation.

        `notes` are those of the sounds, and of the melody notes around them. A price of `most` or more may be any such
        price.
        """
        if notes.is_off:
            return self._coming_off(first, last), DIRECT
        costs = self.costs[last]
        short = 0 if costs is WRITTEN else self._short(first, last)
        if not sounds:
            return short, DIRECT
        extra = notes.extra
        if short + notes.least >= most:
            return short + extra, DIRECT
        lengths_us = self._s.length_us
        are_brief = costs is WRITTEN and self._long[last] == self._long[first + 1]
        if not are_brief:
            shorter_us = self._shorter(first, last)
            long = [at for at in sounds if not self._may_be_stray(lengths_us[at], shorter_us, costs)]
            are_brief = not long
            extra += costs.extra_long * len(long)
        # Of equals, what explains it.
        best, why = min(extra + 1, most - short), None
        for one in notes.ways:
            if one.cost >= best:
                break
            if one.kind == "strays":
                # One of the two notes itself is no stray where it sounds for so long.
                if are_brief and (
                    not notes.bounces or all(lengths_us[sounds[place]] < BRIEF_US for place in notes.bounces)
                ):
                    best, why = one.cost, one
            # With the music known, what lasts too long for a stray is no unwritten embellishment either, but a note.
            elif (are_brief or costs is not WRITTEN) and self._returned(first, last):
                cost = one.cost + self._lengths(one, sounds, notes.ends, self._shorter(first, last), costs)
                if cost < best:
                    best, why = cost, one
        return (short + extra, _too_many(extra)) if why is None else (short + best, why)

    def _explained(self, first: int, last: int, sounds: tuple[int, ...]) -> tuple[int, Explanation]:
        """The same for sounds whose notes are not at hand."""
        return self.between(first, last, sounds, self._notes(first, last, sounds))

    def _notes(self, first: int, last: int, sounds: tuple[int, ...]) -> SoundedNotes:
        """The notes of sounds, and of the melody notes around them."""
        notes = self.sounded_to(last)
        for at in reversed(sounds):
            notes = notes[self._s.note[at]]
        return notes[self._s.note[first]]

    def _returned(self, first: int, last: int) -> bool:
        """Whether some finger moved more often between two melody notes than the change asks."""
        s = self._s
        return s.reached[last] - s.left[first] > (s.mask[first] ^ s.mask[last]).bit_count()

    def gap(self, first: int, last: int, graces: tuple[int, ...]) -> Gap:
        """What lies between two melody notes, before the second of which grace notes may be written."""
        sounds = self._sounds_between(first, last) if last > first + 1 else ()
        if not sounds and not graces:
            return Gap(first, last)
        plain, why = self._explained(first, last, sounds)
        gap = Gap(first, last, sounds, why)
        if graces:
            _, gap = self.embellished(gap, plain, graces)
        if self._is_unclear(gap, plain):
            gap.doubt = "unclear"
        return gap

    def _sounds_between(self, first: int, last: int) -> tuple[int, ...]:
        """What is heard between two stretches; one note that something unheard interrupts is one sound."""
        sounds: list[int] = []
        for at in range(last - 1, first, -1):
            if self.heard[at] and not (sounds and self._s.note[sounds[-1]] == self._s.note[at]):
                sounds.append(at)
        return tuple(reversed(sounds))

    def embellished(self, gap: Gap, plain: int, graces: tuple[int, ...]) -> tuple[int, Gap]:
        """What was heard as the written grace notes, or as something else with these left out."""
        s, costs = self._s, self.costs[gap.last]
        if are_silent(s.note[gap.first], s.note[gap.last], graces):
            return plain, gap
        notes, shorter_us = (s.note[gap.first], s.note[gap.last]), self._shorter(gap.first, gap.last)
        best = plain + min(len(graces), MOST_LEFT_OUT) * costs.missing, gap.why
        for cost, why, held_us in self._embellishments(gap, graces):
            if cost < best[0]:
                cost += self._lengths(why, gap.sounds, notes, shorter_us, costs, held_us)
                best = min(best, (cost, why), key=lambda one: one[0])
        return best[0], Gap(gap.first, gap.last, gap.sounds, best[1], graces)

    def _embellishments(
        self, gap: Gap, graces: tuple[int, ...]
    ) -> Iterator[tuple[int, Explanation, Mapping[int, int] | None]]:
        """What was heard as another movement than the written one, or as that: before lengths, and what may be held."""
        if not gap.sounds:
            return
        s, costs = self._s, self.costs[gap.last]
        notes, longest_us = self._notes(gap.first, gap.last, gap.sounds), max([s.length_us[at] for at in gap.sounds])
        if self._may_be_stray(longest_us, self._shorter(gap.first, gap.last), costs):
            for one in notes.ways:
                if one.kind == "movement" and self._returned(gap.first, gap.last):
                    yield one.cost + costs.another, one, None
        why = written_explanation(*notes.ends, graces, notes.sounds, costs, self._known)
        yield why.cost, why, long_on_purpose(why.movement) if why.movement else NOTHING_HELD

    def _shorter(self, first: int, last: int) -> int:
        """The length of the shorter of two melody notes; one that sounds on may yet be of any length."""
        lengths = self._s.length_us
        first_us, last_us = lengths[first], lengths[last]
        return first_us if first_us < last_us or last == self._sounds_on else last_us

    def _short(self, first: int, last: int) -> int:
        """The price of two melody notes being so unlike in length."""
        lengths, costs = self._s.length_us, self.costs[last]
        if last == self._sounds_on or self.is_known(last):
            return 0
        shorter_us, longer_us = lengths[first], lengths[last]
        if shorter_us > longer_us:
            shorter_us, longer_us = longer_us, shorter_us
        if shorter_us >= OFF_STEP_US or 3 * shorter_us >= longer_us:
            return 0
        return -costs.short * log_third(shorter_us, longer_us) // 1_000

    def _lengths(
        self,
        why: Explanation,
        sounds: tuple[int, ...],
        notes: tuple[int, int],
        shorter_us: int,
        costs: Tariff,
        held_us: Mapping[int, int] | None = None,
    ) -> int:
        """The price of the lengths in an explanation of what was heard between two notes.

        Of a written embellishment `held_us` has the notes that cost nothing however long they are, up to so long.
        """
        cost, is_written = 0, held_us is not None
        longest_us = LONGEST_WRITTEN_INNER_US if is_written else LONGEST_INNER_US
        all_note, all_us = self._s.note, self._s.length_us
        for place, at in enumerate(sounds):
            length_us = all_us[at]
            if held_us and length_us <= held_us.get(all_note[at], 0):
                continue
            if place not in why.notes:
                bounced = length_us >= BRIEF_US and all_note[at] in notes
                if (bounced and not is_written) or not self._may_be_stray(length_us, shorter_us, costs):
                    return NEVER
                # In a written embellishment what is none of its notes is weighed like one.
                if not is_written:
                    continue
            if 100 * length_us > costs.ratio * shorter_us or length_us >= longest_us:
                return NEVER
            above = log_third(length_us, shorter_us) + 100
            if above > 0:
                cost += costs.long * above // 1_000
            if length_us > SLOW_US:
                cost += costs.slow * log_ratio(length_us, SLOW_US) // 1_000
        return cost

    def _may_be_stray(self, length_us: int, shorter_us: int, costs: Tariff) -> bool:
        if costs is WRITTEN:
            return length_us <= costs.stray_us or 2 * length_us < shorter_us
        return length_us < costs.stray_us and 100 * length_us <= costs.ratio * shorter_us

    def _coming_off(self, first: int, last: int) -> int:
        """The price of what sounds while the hands come off, or on: one hole after the other, or hardly heard."""
        s = self._s
        begin = first + 1
        off = s.note[last] == NO_NOTE
        wrong_way = s.closings if off else s.openings
        one_way = begin < last and wrong_way[last] == wrong_way[begin]
        border = first if off else last
        cost = OFF_BORDER if self.is_known(border) and border != self._sounds_on and self._is_step(border) else 0
        for at in range(begin, last):
            if s.length_us[at] >= OFF_STEP_US and not (self.is_known(at) and self._is_step(at)):
                return NEVER
            if s.length_us[at] >= self._heard_us:
                cost += 1 if one_way and self._is_step(at) else self.costs[at].extra
        return cost

    def _is_step(self, at: int) -> bool:
        """Whether a stretch may be a step of hands coming off or on."""
        if self.is_known(at):
            return self._s.still_us[at] < OFF_STILL_US
        return self._s.length_us[at] < (OFF_NOTE_US if self._s.standard[at] else OFF_STEP_US)

    def _is_unclear(self, gap: Gap, cost: int) -> bool:
        """Whether the same sounds, at so much, read as a melody note between two others would be hardly worse."""
        if not gap.sounds or self.is_known(gap.last):
            return False
        first, last = gap.first, gap.last
        for at in gap.sounds:
            before = tuple(one for one in gap.sounds if one < at)
            after = tuple(one for one in gap.sounds if one > at)
            parted = self._explained(first, at, before)[0] + self._explained(at, last, after)[0]
            if parted + self.own(at) - cost < self.costs[last].unclear:
                return True
        return False

    def merges_as_well(self, one: Gap, after: Gap) -> bool:
        """Whether the melody note between two gaps could hardly be worse read as lying within one."""
        at = after.first
        if self.breaks[at]:
            return False
        longest_us = min(self.longest_before(one.first), self.longest_before(after.last))
        # Before a note of known music even a long one may be no melody note.
        if self._s.length_us[at] > longest_us and not self.is_known(after.last):
            return False
        if len(one.sounds) + len(after.sounds) >= MOST_INNER:
            return False
        apart = self._explained(one.first, at, one.sounds)[0] + self._explained(at, after.last, after.sounds)[0]
        sounds = (*one.sounds, at, *after.sounds)
        merged = self._explained(one.first, after.last, sounds)[0]
        return merged - apart - self.own(at) < self.costs[at].unclear

    def is_known(self, at: int) -> bool:
        """Whether the music of a stretch is known."""
        return self.costs[at] is WRITTEN


@lru_cache(maxsize=1 << 10)
def _too_many(cost: int) -> Explanation:
    """Notes that nothing explains."""
    return Explanation("extra", cost)


class Graced(dict[tuple[int, ...], int]):
    """The prices of what lies between two melody notes, by the grace notes that may be written there."""

    def __init__(
        self, prices: Pricing, first: int, last: int, sounds: tuple[int, ...], plain: int, why: Explanation
    ) -> None:
        super().__init__()
        self._prices, self._plain, self._gap = prices, plain, Gap(first, last, sounds, why)
        self[()] = plain

    def __missing__(self, graces: tuple[int, ...]) -> int:
        price, _ = self._prices.embellished(self._gap, self._plain, graces)
        self[graces] = price
        return price
