"""What was played beside what was asked for: the passes through each music, and where the playing departs from it.

Everything follows from where the reading places the melody notes; nothing is aligned here. A departure is told in a
good teacher's tone: what happened, and which finger made it.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator
from typing import Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from fingering.holes import FINGERS, fingers_of
from fingering.notes import NOTES, a_note
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import MOST_MISSED, Music, WrittenNote
from fingerlead.timing.analysis import Analysis, doubt_spans
from fingerlead.timing.measure import touches
from fingerlead.timing.results import Held
from fingerlead.timing.segment import Indices

MisreadKind = Literal["missed", "wrong", "extra", "repeated"]
# More that a teacher hears: the player went back, or on to a later bar; a finger moved that has no part in the change.
DepartureKind = Literal[MisreadKind, "restart", "left out", "idle"]
MISREAD: tuple[MisreadKind, ...] = get_args(MisreadKind)
# A finger away for less has hardly moved: half an ordinary grace note (our own choice).
SLIP_US = 10_000


class Pass(NamedTuple):
    """One time through a music, up to `reached` of its notes, with `right` of them as written; `start_us` to `end_us`.

    `music` counts from 0, `number` from 1 on, or from where the session says.
    """

    music: int
    number: int
    start_us: int
    end_us: int
    reached: int
    right: int


class Departure(NamedTuple):
    """Where the playing departs from the music: a note missed, wrong, too many or twice; a jump; a finger out of place.

    `number` is the written note's in `music`; of what is not written, that of the note to come (as many as there are,
    after the last). `written` was asked for there, `note` was played. `gist` is the sentence without its place; an
    `uncertain` one lies beside something that was lost: shown, never counted.
    """

    kind: DepartureKind
    music: int
    number: int
    written: int | None
    note: int | None
    finger: int | None
    start_us: int
    bar: int | None
    gist: str
    uncertain: bool

    @property
    def words(self) -> str:
        """The sentence with its place."""
        return placed_words(self.gist, self.bar, self.uncertain)


def passes(analysis: Analysis) -> tuple[list[Pass], list[int | None]]:
    """The passes in order, and for each melody note which of them it belongs to (None where nothing is written).

    A pass begins where the player begins the music, or begins it again.
    """
    a = analysis.arrays
    written = a.place[:, 2].nonzero()[0]
    pass_of = np.full(len(a.note), None, dtype=object)
    if not written.size:
        return [], pass_of.tolist()
    music, done, _ = a.place[written].T
    begins = np.ones(len(written), dtype=bool)
    begins[1:] = (music[1:] != music[:-1]) | ((done[1:] == 1) & (done[:-1] > 1))
    at = begins.nonzero()[0]
    pass_of[written] = np.cumsum(begins) - 1
    last = written[np.append(at[1:], len(written)) - 1]
    right = np.add.reduceat((a.note == asked_notes(analysis))[written], at, dtype=np.int64)
    columns = (music[at], a.start_us[written[at]], a.end_us[last], np.maximum.reduceat(done, at), right)
    found: list[Pass] = []
    for here, start_us, end_us, reached, count in zip(*(column.tolist() for column in columns), strict=True):
        goes_on = found and found[-1].music == here
        number = found[-1].number + 1 if goes_on else analysis.musics[here].asked.pass_number
        found.append(Pass(here, number, start_us, end_us, reached, count))
    return found, pass_of.tolist()


def asked_notes(analysis: Analysis) -> NDArray[np.int64]:
    """For each melody note the note that is written where it stands; -1 where none is."""
    notes = np.array([one.note for music in analysis.musics for one in music.notes] or [-1], dtype=np.int64)
    begins = np.cumsum([0, *(len(music.notes) for music in analysis.musics)])
    music, done, written = analysis.arrays.place.T
    return np.where(written != 0, notes[np.where(written != 0, begins[music] + done - 1, 0)], -1)


def notes_led_to(analysis: Analysis) -> list[int]:
    """For each change the number of the melody note that it leads to."""
    a = analysis.arrays
    led_to: list[int] = (np.searchsorted(a.start_us, analysis.edge_us[a.last], side="right") - 1).tolist()
    return led_to


def notes_embellished(analysis: Analysis) -> list[int]:
    """For each movement the number of the melody note that it leads to."""
    ends_us = [movement.end_us for movement in analysis.movements]
    numbers: list[int] = np.searchsorted(analysis.arrays.start_us, ends_us).tolist()
    return numbers


def doubted_notes(analysis: Analysis, *, wide: bool = False) -> list[bool]:
    """For each melody note whether something was lost beside it: since the note before, and until the next one.

    `wide`: while it, or the note before it, sounded.
    """
    a, doubts = analysis.arrays, doubt_spans(analysis.doubts)
    if not doubts.size:
        return [False] * len(a.note)
    since_us = np.concatenate(([0], (a.start_us if wide else a.end_us)[:-1]))
    until_us = a.end_us if wide else np.append(a.start_us[1:], a.end_us[-1:])
    doubted: list[bool] = touches(since_us, until_us, doubts).tolist()
    return doubted


def departures(analysis: Analysis) -> list[Departure]:
    """Where the playing departs from what is asked for, in order of time."""
    if not any(music.is_known for music in analysis.musics):
        return []
    walk = _Walk(analysis)
    found = [one for number in walk.worth_a_look().tolist() for one in walk.departures_at(number)]
    return sorted([*found, *walk.between_notes()], key=lambda one: one.start_us)


class _Walk:
    """The melody notes in order, with where each brings the player."""

    def __init__(self, analysis: Analysis) -> None:
        self._analysis, self._musics, self._table = analysis, analysis.musics, analysis.table
        self._held = analysis.held
        self._places: list[tuple[int, int, int]] = analysis.arrays.place.tolist()
        self._doubted, self._doubted_widely = doubted_notes(analysis), doubted_notes(analysis, wide=True)

    def worth_a_look(self) -> Indices:
        """The melody notes but for those that follow the one before as written, with no more fingers out of place."""
        a, table = self._analysis.arrays, self._table
        standard = np.array(table.standard, dtype=np.uint8)[a.note]
        misplaced = np.where(np.isin(a.mask, list(table.alternates)), 0, a.mask ^ standard)
        music, done, written = a.place.T
        follows = (music[1:] >= 0) & (music[1:] == music[:-1]) & (done[1:] == done[:-1] + 1) & (written[1:] != 0)
        right = a.note[1:] == asked_notes(self._analysis)[1:]
        astray = misplaced[1:] & ~(standard[1:] ^ standard[:-1]) & ~misplaced[:-1] != 0
        return np.append(True, ~(follows & right) | astray)[: len(a.note)].nonzero()[0]

    def departures_at(self, number: int) -> Iterator[Departure]:
        """What a melody note departs from."""
        music, note = self._judged(number), self._held[number]
        if music is None:
            return
        before = self._held[number - 1] if number else None
        _, done, is_written = self._places[number]
        was_done = self._done_before(number)
        if not is_written:
            again = before is not None and before.note == note.note
            kind: MisreadKind = "repeated" if again else "extra"
            yield self._at(number, kind, done, misread_gist(kind, None, note.note))
            return
        index = done - 1
        goes_on = index == was_done
        if index > was_done + MOST_MISSED or (index < was_done - 1 and not music.begins_again(was_done, index)):
            gist = _jump_gist(music.notes[was_done - 1] if was_done else None, music.notes[index], index > was_done)
            jump: DepartureKind = "left out" if index > was_done else "restart"
            yield self._at(number, jump, index, gist, wide=True)._replace(bar=None)
        elif before is not None and before.note == note.note and before.written == note.written:
            # After another note it would put that right.
            yield self._at(number, "repeated", index, misread_gist("repeated", None, note.note))
        for missed in range(was_done, index if index <= was_done + MOST_MISSED else 0):
            gist = misread_gist("missed", music.notes[missed].note, None)
            yield self._at(number, "missed", missed, gist, wide=True)._replace(note=None)
        asked = music.notes[index].note
        if note.note != asked:
            yield self._at(number, "wrong", index, misread_gist("wrong", asked, note.note))
        elif goes_on and index and before is not None and self._is_right(number - 1):
            yield from self._idle(number, index, before, note)

    def between_notes(self) -> Iterator[Departure]:
        """What sounded between melody notes and is not written, and fingers that moved though they have no part."""
        a = self._analysis.arrays
        led_to = notes_led_to(self._analysis)
        slips: dict[int, list[tuple[int, int, int]]] = {}
        columns = (a.slip_change, a.slip_finger, a.slip_start_us, a.slip_us)
        for change, finger, start_us, us in zip(*(column.tolist() for column in columns), strict=True):
            if us >= SLIP_US:
                slips.setdefault(led_to[change], []).append((finger, start_us, start_us + us))
        for extra in self._analysis.extras:
            number = bisect_left(self._held, extra.start_us, key=lambda note: note.start_us)
            if self._judged(number) is None:
                continue
            end_us = extra.start_us + extra.duration_us
            near = [one for one in slips.get(number, []) if one[1] < end_us and one[2] > extra.start_us]
            gist, finger = misread_gist("extra", None, extra.note), None
            if near:
                finger = near[0][0]
                slips[number] = [one for one in slips[number] if one not in near]
                gist = idle_extra_gist(self._held[number - 1], self._held[number], finger, extra.note)
            found = self._at(number, "extra", self._done_before(number), gist)
            yield found._replace(note=extra.note, finger=finger, start_us=extra.start_us)
        for number, moved in slips.items():
            music, (_, done, is_written) = self._judged(number), self._places[number]
            right = music is not None and number and self._is_right(number) and self._is_right(number - 1)
            if music is None or not (right and is_written and done - 1 == self._done_before(number)):
                continue
            if not music.notes[done - 1].graces:
                for finger, start_us, _ in moved:
                    gist = _idle_gist(self._held[number - 1], self._held[number], finger)
                    found = self._at(number, "idle", done - 1, gist)
                    yield found._replace(finger=finger, start_us=start_us)

    def _judged(self, number: int) -> Music | None:
        """The music that a melody note is read against and judged by; None where there is none."""
        music = self._places[number][0]
        return self._musics[music] if music >= 0 and self._musics[music].asked.judged else None

    def _done_before(self, number: int) -> int:
        """How many notes of its music were done before a melody note."""
        here, _, is_written = self._places[number]
        if not number:
            return 0
        before, was_done, _ = self._places[number - 1]
        if before == here:
            return was_done
        music, last = self._musics[here], self._held[number - 1]
        if before >= 0 and music.goes_on_from(self._musics[before]):
            return was_done
        firsts = music.first_places(last.note) if last.end_us >= music.start_us else []
        index = self._places[number][1] - is_written
        return max((one.position for one in firsts if one.position <= index), default=0)

    def _is_right(self, number: int) -> bool:
        note = self._held[number]
        return note.written is not None and self._asked(note).note == note.note

    def _asked(self, note: Held) -> WrittenNote:
        assert note.written is not None
        return self._musics[note.written.music].notes[note.written.number]

    def _idle(self, number: int, index: int, before: Held, note: Held) -> Iterator[Departure]:
        """Fingers that the change does not ask for, out of place from here on though they were in place before."""
        standard = self._table.standard
        asked = standard[before.note] ^ standard[note.note]
        for finger in fingers_of(self._misplaced(note) & ~asked & ~self._misplaced(before) & 0xFF):
            gist = _idle_gist(before, note, finger, stays=True)
            yield self._at(number, "idle", index, gist)._replace(finger=finger)

    def _misplaced(self, note: Held) -> int:
        """The holes that are not as the chart has them."""
        mask = note.covered_mask
        return 0 if mask in self._table.alternates else mask ^ self._table.standard[note.note]

    def _at(self, number: int, kind: DepartureKind, index: int, gist: str, *, wide: bool = False) -> Departure:
        """A departure at a melody note; in doubt where something was lost beside it, or (`wide`) about the note too."""
        note, place = self._held[number], self._places[number][0]
        notes = self._musics[place].notes
        here = notes[index] if index < len(notes) else None
        doubted = (self._doubted_widely if wide else self._doubted)[number]
        written = here.note if here is not None and kind in ("missed", "wrong") else None
        bar = None if here is None else here.bar
        return Departure(kind, place, index, written, note.note, None, note.start_us, bar, gist, doubted)


class PlayedMusic(NamedTuple):
    """All that was played of one music: how many of how many notes were as written, and what was not, in words.

    `musics` are the numbers of the musics that ask for it, once or again and again; `asked` is the first of them.
    """

    asked: SessionMusic
    musics: frozenset[int]
    right: int
    played: int
    words: list[str]


def played_musics(analysis: Analysis) -> list[PlayedMusic]:
    """What was played of each music that is known and judged; the most frequent departures first."""
    names = {
        number: (music.asked.name, music.notes) for number, music in enumerate(analysis.musics) if music.asked.judged
    }
    played: Counter[tuple[str, tuple[WrittenNote, ...]]] = Counter()
    right = Counter(played)
    gists: dict[tuple[str, tuple[WrittenNote, ...]], Counter[str]] = {}
    for note, (music, _, _) in zip(analysis.held, analysis.arrays.place.tolist(), strict=True):
        if music in names:
            played[names[music]] += 1
            at = note.written
            right[names[music]] += at is not None and names[music][1][at.number].note == note.note
    for one in departures(analysis):
        if not one.uncertain:
            gists.setdefault(names[one.music], Counter())[one.gist] += 1
    told = []
    for key, count in played.items():
        musics = frozenset(number for number, name in names.items() if name == key)
        words = [
            gist if times == 1 else f"{gist} ({times} times)" for gist, times in gists.get(key, Counter()).most_common()
        ]
        told.append(PlayedMusic(analysis.musics[min(musics)].asked, musics, right[key], count, words))
    return told


def placed_words(gist: str, bar: int | None, uncertain: bool) -> str:
    """A sentence with its place."""
    lost = " Something was lost there." if uncertain else ""
    return f"{'' if bar is None else f'Bar {bar}: '}{gist}{lost}"


def misread_gist(kind: MisreadKind, written: int | None, note: int | None) -> str:
    """What happened to a written note, or which note sounded that is not written."""
    if kind in ("missed", "wrong"):
        assert written is not None
        return f"{NOTES[written]} was left out." if note is None else f"{NOTES[note]} instead of {NOTES[written]}."
    assert note is not None
    return f"{NOTES[note]} twice." if kind == "repeated" else f"A{a_note(note)[1:]} that is not written."


def idle_extra_gist(before: Held, note: Held, finger: int, sounded: int) -> str:
    """A finger that takes no part in a change moved, and sounded a note that is not written."""
    return f"{_idle_gist(before, note, finger)[:-1]}: {a_note(sounded)} sounded."


def _idle_gist(before: Held, note: Held, finger: int, stays: bool = False) -> str:
    """A finger that takes no part in a change moved."""
    was_down = before.covered_mask >> finger & 1
    did = "came off its hole and stayed off" if was_down else "came down and stayed down"
    if not stays:
        did = f"{'lifted' if was_down else 'came down'} for a moment"
    name = "thumb" if finger == 0 else f"{FINGERS[finger]} finger"
    return f"From {NOTES[before.note]} to {NOTES[note.note]} the {name} takes no part, but it {did}."


def _jump_gist(here: WrittenNote | None, there: WrittenNote, on: bool) -> str:
    """The player went from one written note to another."""
    name, bar = NOTES[there.note], there.bar
    if on:
        return f"{'You began' if here is None else 'You went on'} with {name}{'' if bar is None else f' in bar {bar}'}."
    if bar is None or here is None or here.bar is None:
        return f"You stopped and went back to {name}."
    if here.bar == bar:
        return f"You stopped in bar {bar} and took it up again from {name}."
    return f"You stopped in bar {here.bar} and went back to {name} in bar {bar}."
