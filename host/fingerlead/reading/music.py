"""What may come next: the model of the music, in which the reading finds its way.

Question: a melody note sounds; where in the music does the player stand then, and how unlikely is that? Without music
any note may follow any. With it a player goes on, plays a wrong note, leaves notes out, goes back, begins again at the
end, or plays something that is not written.

Conventions: a *position* is how many written notes are done, 0 to the number of notes. Costs in thousandths.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from fingering.notes import NOTES
from fingerlead.reading.asked import NOTHING_ASKED, SessionMusic

NOTHING_WRITTEN: tuple[int, ...] = ()
# Beside the notes: hands off.
NO_NOTE = len(NOTES)

# Our own choice. Going on is free; a wrong note and a missed one cost as much, so that neither takes the other's place.
WRONG = 4_000
MISSED = 4_000
MOST_MISSED = 2
UNWRITTEN = 4_200  # more than a wrong note, which it would tie with where the music ends
CORRECTED = 1_500  # the written note again, after another or after hands off
AGAIN = 1_000  # from the end to the beginning
BACK_TO_BAR = 5_000
BACK = 7_000
FAR = 4_000  # more, where it is more than NEAR notes back
NEAR = 16
ON_TO_BAR = 12_000
AFTER_PAUSE = 2_000  # less, after hands off
# The longest movement has nine notes; where none is written, more than a few sounds hold a note that was missed.
MOST_SOUNDS = 12
DEAREST = 1 << 40
MOST_PLAIN_SOUNDS = 5


class Rhythm(NamedTuple):
    """When a written note is to begin: `at`, in beats from the start of the music, rests and repeats counted.

    `bar_at` is where its bar begins, which is the bar numbered `bar` from 0, as they are played. `pair` is how its
    length stands to the next note's where the two are a dotted pair (above 1) or a cut one (below), else None.
    """

    at: Fraction
    bar: int
    bar_at: Fraction
    on_beat: bool
    pair: Fraction | None = None


class WrittenNote(NamedTuple):
    """A written melody note, 0 to 8, with the grace notes before it; `bar` as players count, None without bars.

    `rhythm` is None where the music has no meter.
    """

    note: int
    graces: tuple[int, ...] = NOTHING_WRITTEN
    begins_bar: bool = False
    bar: int | None = None
    rhythm: Rhythm | None = None


class Place(NamedTuple):
    """Where a melody note brings the player: the position, its price, and the grace notes that are written before it.

    `written`: the note is the one before the position; else it is one that is not written.
    """

    position: int
    cost: int
    graces: tuple[int, ...] = NOTHING_WRITTEN
    written: bool = True


NOWHERE_ELSE: tuple[list[int], list[Place]] = ([], [])
# Where music is not known, or hands are off, no note brings the player anywhere.
NOWHERE = Place(0, 0, NOTHING_WRITTEN, False)


@dataclass(frozen=True)
class Music:
    """Notes to play, from `start_us` to `end_us` of a performance; none where any note may follow any.

    `asked` is what a session names it, and says whether anything in it is judged, and by which stage.
    """

    notes: tuple[WrittenNote, ...] = ()
    start_us: int = 0
    end_us: int = 1 << 62
    asked: SessionMusic = NOTHING_ASKED

    @cached_property
    def is_known(self) -> bool:
        """Whether there is music."""
        return bool(self.notes)

    @cached_property
    def _backs(self) -> dict[int, tuple[list[int], list[Place]]]:
        """For each note the positions that it brings the player to, which rise, and what it costs to go back there."""
        backs: dict[int, tuple[list[int], list[Place]]] = {}
        for position, written in enumerate(self.notes, 1):
            positions, places = backs.setdefault(written.note, ([], []))
            positions.append(position)
            # To the very beginning is no farther than to any bar.
            cost = BACK_TO_BAR if written.begins_bar or position == 1 else BACK
            places.append(Place(position, cost, written.graces))
        return backs

    @cached_property
    def leads(self) -> "tuple[_Leads, ...]":
        """For each note, and for hands off: where it may lead from each position without a jump."""
        return tuple(_Leads(self, note) for note in range(NO_NOTE + 1))

    @cached_property
    def has_graces(self) -> bool:
        """Whether grace notes are written."""
        return any(one.graces for one in self.notes)

    @cached_property
    def most_sounds(self) -> int:
        """How many sounds between two melody notes are looked at."""
        return MOST_SOUNDS if not self.notes or self.has_graces else MOST_PLAIN_SOUNDS

    def goes_on_from(self, other: "Music") -> bool:
        """Whether a player who was in another music goes on where they were: the same notes, at another tempo or stage.

        The same asked for anew is begun anew.
        """
        return other.is_known and other.notes == self.notes and other.asked != self.asked

    def first_places(self, note: int) -> list[Place]:
        """Where a player stands with a note that sounds already as the music begins: it may be its first."""
        return [place for place in self.goes_on(0, note) if place.written]

    def begins_again(self, done: int, index: int) -> bool:
        """Whether a player who has done so many notes begins again at the end with that one.

        The first note sounds already where the last is the same and nothing parts them.
        """
        first, last = self.notes[0], self.notes[-1]
        sounds_on = len(self.notes) > 2 and first.note == last.note and not first.graces
        return done == len(self.notes) and 0 <= index <= sounds_on

    def goes_on(self, position: int, note: int) -> Iterator[Place]:
        """Where a note may lead from a position without a jump."""
        notes = self.notes
        if note == NO_NOTE:
            yield Place(position, 0, NOTHING_WRITTEN, False)
            return
        for missed in range(MOST_MISSED + 1):
            if position + missed < len(notes) and notes[position + missed].note == note:
                yield Place(position + missed + 1, MISSED * missed, notes[position + missed].graces)
        if position < len(notes) and notes[position].note != note:
            yield Place(position + 1, WRONG)
        for index in range(2):
            if self.begins_again(position, index) and notes[index].note == note:
                yield Place(index + 1, AGAIN, notes[index].graces)
        corrected = position > 0 and notes[position - 1].note == note
        yield Place(position, CORRECTED) if corrected else Place(position, UNWRITTEN, written=False)

    def jumps(self, position: int, note: int, *, after_pause: bool, most: int = DEAREST) -> list[Place]:
        """Where a note may lead from a position by going back, or by going on to a later bar, for less than `most`."""
        positions, backs = self._backs.get(note, NOWHERE_ELSE)
        discount = AFTER_PAUSE if after_pause else 0
        most += discount
        near, here = bisect_right(positions, position - NEAR), bisect_right(positions, position)
        places = backs[near:here]
        if most > BACK_TO_BAR + FAR:
            places += [place._replace(cost=place.cost + FAR * (place.position > 1)) for place in backs[:near]]
        elif near and positions[0] == 1:
            places.append(backs[0])
        if most > ON_TO_BAR:
            ahead = backs[bisect_right(positions, position + 1) :]
            places += [place._replace(cost=ON_TO_BAR) for place in ahead if place.cost == BACK_TO_BAR]
        places = [place for place in places if place.cost < most]
        return [place._replace(cost=max(place.cost - discount, 0)) for place in places] if discount else places

    def jumps_from(self, position: int, note: int, after_pause: bool, most: int) -> "Leads":
        """The leads of all jumps for less than `most`; perhaps some dearer ones too."""
        if after_pause or most > BACK_TO_BAR + FAR:
            return leads_to(self.jumps(position, note, after_pause=after_pause, most=most))
        return self._near_jumps[note][position]

    @cached_property
    def _near_jumps(self) -> "tuple[_NearJumps, ...]":
        return tuple(_NearJumps(self, note) for note in range(NO_NOTE + 1))


# What it costs to come to a position, and the place: the cheapest first.
Leads = tuple[tuple[int, int, Place], ...]


def leads_to(places: Iterable[Place]) -> Leads:
    """The leads to some places."""
    return tuple(sorted((place.cost, place.position, place) for place in places))


class _Leads(dict[int, Leads]):
    """Where a note may lead from each position, worked out when it is first asked for."""

    def __init__(self, music: Music, note: int) -> None:
        super().__init__()
        self._music, self._note = music, note

    def __missing__(self, position: int) -> Leads:
        leads = self[position] = leads_to(self._music.goes_on(position, self._note))
        return leads


class _NearJumps(dict[int, Leads]):
    """Where a note may lead from each position by going back a little, worked out when it is first asked for."""

    def __init__(self, music: Music, note: int) -> None:
        super().__init__()
        self._music, self._note = music, note

    def __missing__(self, position: int) -> Leads:
        near = self._music.jumps(position, self._note, after_pause=False, most=BACK_TO_BAR + FAR)
        leads = self[position] = leads_to(near)
        return leads


ANY = Music()
