"""The reading: the cheapest way to explain all that sounded as melody notes with something, or nothing, between them.

Question: which stretches are melody notes, what lies between them, and how sure is that? A row of stretches is read as
the walk that costs least (see `walks`); what lies between two of its melody notes is explained by `between`, at the
prices of `costs`.

Conventions: a *stretch* is an unbroken sounding note; notes 0 to 8, NO_NOTE for hands off; times in integer µs.

Batch and live are one: `read` reads what there is and says how far that is settled. A melody note is settled once every
walk that what comes next could prolong passes through it; from there on reading may begin anew, with the same result.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, pairwise
from typing import NamedTuple

from fingering.movements import Repertoire
from fingering.moves import possible_strays
from fingerlead.reading.between import STANDARD
from fingerlead.reading.costs import FREE, WRITTEN
from fingerlead.reading.music import ANY, NO_NOTE, Music
from fingerlead.reading.pricing import DoubtKind, Gap, Pricing, Stretches
from fingerlead.reading.walks import Row, Step, Walks, steps_to

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


class NoteReader:
    """Reads stretches against music; where none is known, any note may follow any.

    `musics` are in order of time and do not overlap. The first `closed` stretches stand as they are, whatever comes
    next; `rows` are the walks to the first of these as they were read before, and grow by those to the others.
    `number` is that of the first stretch in the whole performance: where others come before it, it is a settled note.
    `known` are the movements that there are.
    """

    def __init__(
        self,
        stretches: Stretches,
        heard_us: int,
        musics: Sequence[Music],
        rows: list[Row],
        *,
        closed: int,
        number: int,
        final: bool,
        known: Repertoire = STANDARD,
    ) -> None:
        self.s, self._rows, self._closed, self._number, self._final = stretches, rows, closed, number, final
        self._musics = [*musics, ANY]
        self._music_of = self._music_numbers()
        costs_of = [WRITTEN if music.is_known else FREE for music in self._musics]
        costs = [costs_of[number] for number in self._music_of]
        # The last stretch of all may sound on: no length counts against it.
        self._sounds_on = len(stretches) - 1 if final else -1
        self.prices = Pricing(stretches, heard_us, costs, self._sounds_on, known)

    def read(self) -> Reading:
        """The reading of all stretches; where it is not final, more will come, and `settled` says what is certain."""
        s, number = self.s, self._number
        walks = Walks(s, [self._musics[music] for music in self._music_of], self.prices, self._rows, number)
        self._rows += walks.rows[len(self._rows) : self._closed]
        ends = walks.ends()
        if not ends:
            return Reading()
        # What is left over at the end is explained as little as what stands before the first note. Of equals the last.
        best = min(
            (row[0] for row in ends), key=lambda one: one.cost + self.prices.left_over(one.at - number + 1, len(s))
        )
        walk = steps_to(best)
        is_known = [music.is_known for music in self._musics]
        reading, before = Reading(), -1
        for step in walk:
            at = step.at - number
            if s.note[at] == NO_NOTE:
                before = -1
                continue
            music, place = self._music_of[at], step.place
            reading.melody.append(Melody(at, music, place.position, is_known[music] and place.written))
            if before >= 0:
                reading.gaps.append(self.prices.gap(before, at, place.graces))
            before = at
        for one, after in pairwise(reading.gaps):
            if one.last == after.first:
                self._doubt_between(one, after)
        if not self._final:
            self._settle(reading, walk, chain.from_iterable(ends))
        return reading

    def _music_numbers(self) -> list[int]:
        """The music that each stretch belongs to: the one in which it begins."""
        numbers, number, none = [], 0, len(self._musics) - 1
        for start_us in self.s.start_us:
            while number < none and self._musics[number].end_us <= start_us:
                number += 1
            inside = number < none and self._musics[number].start_us <= start_us
            numbers.append(number if inside else none)
        return numbers

    def _settle(self, reading: Reading, walk: Sequence[Step], ends: Iterable[Step]) -> None:
        """Find how far all walks to `ends` are one: a melody note of that stretch whose next is in it too."""
        common = len(walk)
        for end in ends:
            step: Step | None = end
            while step is not None and common and step is not walk[common - 1]:
                if step.at > walk[common - 1].at:
                    step = step.before
                else:
                    common -= 1
            if step is None:
                return
        sounding = (step.at - self._number for step in reversed(walk[: max(common - 1, 0)]))
        last = next((at for at in sounding if self.s.note[at] != NO_NOTE), None)
        if last is not None:
            reading.settled = bisect_left(reading.melody, last, key=lambda melody: melody.at)
            after = bisect_left(reading.gaps, last, key=lambda gap: gap.first)
            if after < len(reading.gaps) and reading.gaps[after].first == last:
                reading.doubt_after = reading.gaps[after].doubt

    def _doubt_between(self, one: Gap, after: Gap) -> None:
        """Doubt both changes around a melody note that may be none. With the music known, its order decides."""
        s, at = self.s, one.last
        if self.prices.is_known(at):
            return
        if self.prices.merges_as_well(one, after):
            one.doubt = after.doubt = "unclear"
        elif (
            s.length_us[at] < PERHAPS_US
            and self._is_far_longer(one.first, at)
            and self._is_far_longer(after.last, at)
            and s.note[at] in possible_strays(s.note[one.first], s.note[after.last])
            and "movement" not in (one.why.kind, after.why.kind)
        ):
            one.doubt, after.doubt = one.doubt or "perhaps", after.doubt or "perhaps"

    def _is_far_longer(self, beside: int, at: int) -> bool:
        return 3 * self.s.length_us[at] < self.s.length_us[beside] or beside == self._sounds_on
