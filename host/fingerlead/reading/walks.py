"""Every way to read a row of stretches that may yet be the cheapest: a walk from one melody note to the next.

Question: what is the cheapest walk to this stretch as a melody note, for each position in the music that it may bring
the player to? Found by dynamic programming (A. J. Viterbi, IEEE Transactions on Information Theory 13, 1967) over
melody notes, each step of which skips what is not one. Only costs are added up here; what lies between two melody notes
of the walk that wins is asked for afterwards.

A row of walks hangs on the stretches up to its own alone. So the rows of stretches that stand as they are, whatever
comes next, are kept, and reading that goes on is the same as reading that never stopped.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from fingerlead.reading.costs import MOST_INNER, NEVER
from fingerlead.reading.music import MOST_SOUNDS, NO_NOTE, NOTHING_WRITTEN, NOWHERE, Leads, Music, Place, leads_to
from fingerlead.reading.pricing import Graced, Pricing, Stretches
from fingerlead.reading.sounded import SoundedNotes

# Walks that are so much dearer than the cheapest are given up; so are those that parted from it long ago, for they
# differ only in how often the player went back or left something out. Long ago is told in stretches: a clock's would
# make the reading hang on when it was started, and on the tempo.
FAR_DEARER = 9_000
SPELL = 16
MOST_WALKS = 8


@dataclass(slots=True)
class Step:
    """The cheapest walk to a melody note at a position, that of its place: what it costs, and the step before it.

    `at` counts the stretches of the whole performance. `lately` are the steps with which the walk came into the last
    two spells of SPELL stretches.
    """

    at: int
    position: int
    place: Place
    cost: int
    before: "Step | None"
    lately: tuple[tuple[int, int], tuple[int, int]]


# The walks to one stretch that still compete, the cheapest first; none where it is no melody note.
Row = list[Step]
# For a position, where the next note may bring the player.
_Leads = Mapping[int, Leads]
# Walks to go on with, where each of their positions leads, how much more each costs, and what it costs by the grace
# notes that are written there, if any are.
_Way = tuple[Row, _Leads, int, Graced | None]
_LONG_AGO = ((0, 0), (0, 0))


class Walks:
    """The walks to each of the stretches: `rows` are known of the first ones, the others are worked out.

    `musics` are those that the stretches stand in. `number` is that of the first stretch in the whole performance.
    """

    def __init__(
        self, stretches: Stretches, musics: Sequence[Music], prices: Pricing, rows: Sequence[Row], number: int
    ) -> None:
        self._s, self._musics, self._prices, self._number = stretches, musics, prices, number
        self.rows = list(rows)
        self._is_off_near = list(self._offs_near())
        for at in range(len(rows), len(stretches)):
            self.rows.append(self._row(at) if prices.heard[at] else [])

    def ends(self) -> list[Row]:
        """The walks that could go on beyond the end, the last stretch's first."""
        ends: list[Row] = []
        inner = 0
        for at in range(len(self.rows) - 1, -1, -1):
            if self.rows[at]:
                ends.append(self.rows[at])
            inner += self._prices.heard[at]
            if self._prices.breaks[at] or inner > MOST_INNER:
                break
        return ends

    def _row(self, at: int) -> Row:
        row = self._written(at) if self._musics[at].is_known else self._freely(at)
        return row or self._taken_up(at)

    def _taken_up(self, at: int) -> Row:
        """Where no walk leads to a stretch, and none could pass it by: reading is taken up from the last melody note.

        Else one fumble that nothing explains would leave all that was played unread.
        """
        prices, before, inner = self._prices, at - 1, 0
        while before >= 0 and not self.rows[before]:
            inner += prices.heard[before]
            before -= 1
        if not (prices.breaks[at] or inner > MOST_INNER) or (before < 0 and self._number):
            return []
        cost, _, place = self._begins(at)[0]
        step = self.rows[before][0] if before >= 0 else None
        cost += prices.left_over(before + 1, at) + prices.own(at) + (step.cost if step else 0)
        return [self._step(at, cost, place, step)]

    def _offs_near(self) -> Iterator[bool]:
        """For each stretch whether hands off, or the beginning, may be near enough before it to matter."""
        inner = 0
        for note, heard in zip(self._s.note, self._prices.heard, strict=True):
            yield inner <= MOST_INNER + 1
            inner = 0 if note == NO_NOTE else inner + heard

    def _may_follow(self, at: int, most: int) -> Iterator[tuple[int, tuple[int, ...], SoundedNotes]]:
        """The melody notes that a stretch may follow as one, nearest first, and what was heard between.

        Then the notes of all of these, from the one to the other. No more than `most` sounds, but from hands off. -1
        where it may be the first melody note.
        """
        note_of, lengths_us, heard, breaks = self._s.note, self._s.length_us, self._prices.heard, self._prices.breaks
        longest_us = self._prices.longest_before(at)
        furthest = MOST_SOUNDS if self._is_off_near[at] else min(most, MOST_SOUNDS)
        sounds: tuple[int, ...] = ()
        # The notes from the first of the sounds on.
        notes = self._prices.sounded_to(at)
        rows, inner, count, first_note = self.rows, 0, 0, -1
        for before in range(at - 1, -1, -1):
            # Only what is heard counts: a sensor that chatters must not part the notes around it for good.
            if inner > MOST_INNER:
                return
            note = note_of[before]
            # Hands come off, and on, over as many sounds as there are.
            if rows[before] and (count <= most or note == NO_NOTE):
                yield before, sounds, notes[note]
            if breaks[before] or lengths_us[before] > longest_us:
                return
            if heard[before]:
                inner += 1
                # One note that something unheard interrupts is one sound.
                if note != first_note:
                    if count == furthest:
                        return
                    sounds, notes, first_note = (before, *sounds), notes[note], note
                    count += 1
        if not self._number:
            yield -1, sounds, notes

    def _freely(self, at: int) -> Row:
        """Where any note may follow any, only the cheapest walk counts."""
        cost, best = NEVER, None
        for before, sounds, notes in self._may_follow(at, MOST_SOUNDS):
            step = self.rows[before][0] if before >= 0 else None
            so_far = self._prices.left_over(0, at) if step is None else step.cost
            if so_far >= cost:
                continue
            if step is not None:
                if so_far + notes.least >= cost:
                    continue
                so_far += self._prices.between(before, at, sounds, notes)[0]
            if so_far < cost:
                cost, best = so_far, step
        return [self._step(at, cost + self._prices.own(at), NOWHERE, best)] if cost < NEVER else []

    def _written(self, at: int) -> Row:
        """Where music is known, the cheapest walk to each position that the note may bring the player to."""
        music, note, prices, rows, musics = self._musics[at], self._s.note[at], self._prices, self.rows, self._musics
        leads, most = music.leads[note], NEVER if note == NO_NOTE else music.most_sounds
        # Where grace notes are written, they may explain what is dear without.
        has_graces = music.has_graces and note != NO_NOTE
        arrivals = _Arrivals()
        ways: list[_Way] = []
        back: tuple[int, Step, int, Graced | None] | None = None
        begins: Leads = ()
        for before, sounds, notes in self._may_follow(at, most):
            if before < 0:
                begins = self._begins(at)
                break
            row = rows[before]
            cheapest = row[0]
            so_far, graced = cheapest.cost, None
            room = arrivals.limit - so_far
            if room <= 0:
                continue
            if has_graces and not notes.is_off:
                plain, why = prices.between(before, at, sounds, notes)
                graced, more = Graced(prices, before, at, sounds, plain, why), 0
            elif notes.least >= room:
                continue
            else:
                plain, _ = prices.between(before, at, sounds, notes, room)
                if plain >= room:
                    continue
                more = plain
            if musics[before] is not music:
                ways += [(walks, places, price + more, graced) for walks, places, price in self._stands(before, at)]
                continue
            ways.append((row, leads, more, graced))
            # At least one walk will cost no more than the cheapest of these on its cheapest way.
            cost, _, place = leads[cheapest.position][0]
            cost += so_far + FAR_DEARER + (plain if graced is None else graced[place.graces])
            if cost < arrivals.limit:
                arrivals.limit = cost
            if back is None or so_far + plain < back[0]:
                back = so_far + plain, cheapest, more, graced
        arrivals.add(ways)
        if back is not None and note != NO_NOTE:
            # Going back, or on to a later bar, starts from the cheapest way to a melody note.
            _, step, more, graced = back
            from_off = self._s.note[step.at - self._number] == NO_NOTE
            jumps = music.jumps_from(step.position, note, from_off, arrivals.limit - step.cost - more)
            arrivals.add([([step], {step.position: jumps}, more, graced)])
        if begins:
            arrivals.begin(begins, prices.left_over(0, at))
        return self._likely(at, arrivals)

    def _begins(self, at: int) -> Leads:
        """Where a first melody note of its music may stand; grace notes before it count for nothing."""
        music, note = self._musics[at], self._s.note[at]
        if not music.is_known or note == NO_NOTE:
            return leads_to([NOWHERE])
        places = (*music.goes_on(0, note), *music.jumps(0, note, after_pause=False))
        return leads_to(place._replace(graces=NOTHING_WRITTEN) for place in places)

    def _stands(self, before: int, at: int) -> Iterator[tuple[Row, _Leads, int]]:
        """Where the player may stand after a melody note, where other music was asked for then, and its price."""
        s, row, music, other = self._s, self.rows[before], self._musics[at], self._musics[before]
        leads, first, position = music.leads[s.note[at]], row[:1], row[0].position
        yield first, {position: self._begins(at)}, 0
        if music.goes_on_from(other):
            yield row, leads, 0
        elif s.note[before] != NO_NOTE and s.start_us[before] + s.length_us[before] >= music.start_us:
            for one in music.first_places(s.note[before]):
                yield first, {position: leads[one.position]}, one.cost

    def _likely(self, at: int, arrivals: "_Arrivals") -> Row:
        """The walks worth going on with: not far dearer than the cheapest, and one with it some seconds ago.

        Of equal ones the farthest on comes first: more is likelier to be missed than to be played anew.
        """
        own, limit = self._prices.own(at), arrivals.limit
        number = at + self._number
        spell = number - number % SPELL
        row = [
            Step(number, -behind, place, cost + own, before, before.lately)
            if before is not None and before.at >= spell
            else self._step(at, cost + own, place, before)
            for cost, behind, place, before in sorted(arrivals.found.values())[:MOST_WALKS]
            if cost < limit
        ]
        if len(row) < 2:
            return row
        ago = row[0].lately[1]
        return [step for step in row if step.lately[1] is ago or step.lately[1] == ago]

    def _step(self, at: int, cost: int, place: Place, before: Step | None) -> Step:
        at += self._number
        if before is None:
            return Step(at, place.position, place, cost, None, _LONG_AGO)
        lately = before.lately
        if before.at // SPELL != at // SPELL:
            lately = (at, place.position), lately[0]
        return Step(at, place.position, place, cost, before, lately)


class _Arrivals:
    """The ways to a melody note: for each position that it may bring the player to the cheapest, the first of equals.

    `limit` is what a way must stay below to be of any use.
    """

    __slots__ = ("found", "limit")

    def __init__(self) -> None:
        self.found: dict[int, tuple[int, int, Place, Step | None]] = {}
        self.limit = NEVER

    def begin(self, leads: Leads, left_over: int) -> None:
        """Begin with this melody note, at the price of what stands before it."""
        for cost, position, place in leads:
            if position not in self.found or left_over + cost < self.found[position][0]:
                self.found[position] = left_over + cost, -position, place, None
                self.limit = min(self.limit, left_over + cost + FAR_DEARER)

    def add(self, ways: Sequence[_Way]) -> None:
        """Go on with the walks of each way."""
        found, limit = self.found, self.limit
        best = limit - FAR_DEARER
        for row, leads, more, graced in ways:
            for step in row:
                so_far = step.cost + more
                if so_far >= limit:
                    break
                for cost, position, place in leads[step.position]:
                    cost += so_far
                    if cost >= limit:
                        break
                    if graced is not None:
                        cost += graced[place.graces]
                    if position not in found or cost < found[position][0]:
                        found[position] = cost, -position, place, step
                        if cost < best:
                            best, limit = cost, cost + FAR_DEARER
        self.limit = limit


def steps_to(step: Step | None) -> list[Step]:
    """The steps of a walk, in order of time."""
    walk: list[Step] = []
    while step is not None:
        walk.append(step)
        step = step.before
    return walk[::-1]


def let_go(rows: list[Row], at: int) -> None:
    """Let go of what came before a settled melody note; what is left of the rows is to be gone on with."""
    for step in rows[at]:
        step.before = None
    del rows[:at]
