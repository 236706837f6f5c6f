"""A passage: some changes of a session with all that they are judged by, exact to the microsecond.

`cut` takes a passage out of an analysis, and `Passage.analysis` analyses it anew, with the same changes as the session
had. A passage is the stretch from the note before its first change to the note after its last, both whole. Where one of
them is so short, or fingered so, that its other neighbour has a say in how it is judged, that neighbour goes along; the
change between the two is then left out of the results (`skip`).

Units: `_us` microseconds, from the passage's beginning; `at_us` is where that is in the session.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, fields, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from fingering.holes import HANDS_OFF, HOLES, fingers_of
from fingering.movements import LONGEST_MS, MOST_NOTES, Movement, Role, repertoire_with
from fingering.notes import NOTES, SOUNDING
from fingering.table import Table
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.between import STANDARD
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.reading.reading import PERHAPS_US
from fingerlead.store.passage.agreement import changes_alone, findings, notes_around
from fingerlead.store.passage.text import PassageError
from fingerlead.timing.against import (
    MISREAD,
    MisreadKind,
    departures,
    idle_extra_gist,
    misread_gist,
    passes,
    placed_words,
)
from fingerlead.timing.analysis import Analysis, analyse
from fingerlead.timing.results import Held, Settings, Timing
from fingerlead.wire.events import Doubt, Intake, Record, Slopes

# More than any message holds; what hostile counts may cost is bounded by them.
MOST_EDGES = 5_000
MOST_DOUBTS = 2_000
LONGEST_US = 24 * 3_600_000_000
GREATEST_AT_US = 1 << 62  # as in lists of times
GREATEST_NUMBER = 1_000_000_000
GREATEST_SETTING_US = 10_000_000
LONGEST_NAME = 60
GREATEST_RISE = 0xFFFF
# A reading is settled a few notes later, where it is nearly as good as another.
WIDER = (0, 1, 2, 3, 5, 8, 13, 21, 34)
MOST_SKIPPED = 2 * WIDER[-1]
MOST_MUSICS = 200
MOST_GRACES = 30
MOST_OWN = 30
OWN = "own movements"


class Misread(NamedTuple):
    """Where the playing departs from the music: a note missed, wrong, too many or twice, as `timing.against` has it.

    `start_us` is in the passage, or before it for what began there. `finger` moved though it has no part.
    """

    kind: MisreadKind
    start_us: int
    written: int | None
    note: int | None
    finger: int | None
    bar: int | None
    uncertain: bool


class WrittenPlace(NamedTuple):
    """Where a melody note is written: in which of the passage's `musics`, in which pass, and as which of its notes.

    `music` and `number` count from 0, the number within the whole music; `bar` is None without bars.
    """

    music: int
    pass_number: int
    number: int
    bar: int | None


@dataclass(frozen=True)
class Passage:
    """Finger times, and all that decides how they are judged.

    `number` is its first change's place in the session (from 0), `count` how many changes it is about, `skip` how many
    that its analysis finds before those. `edges` are (time, covered mask after it), the first at 0. `musics` are the
    session's in this stretch, each with the melody that was read there in place of its own notes. `slopes` are
    (time, hole, rise in raw counts a millisecond) of those edges whose slope the chanter told. `misread` is what is
    not as written. `places` are those of the melody notes, from the one that the first change leaves to the one that
    the last leads to; there are none where nothing is written. `own` are the teacher's own movements that have a say in
    these changes, with what they are judged by.
    """

    number: int
    count: int
    skip: int
    at_us: int
    edges: tuple[tuple[int, int], ...]
    end_us: int
    doubts: tuple[Doubt, ...]
    timing: Timing
    settings: Settings
    table: Table
    musics: tuple[Music, ...] = ()
    slopes: tuple[tuple[int, int, int], ...] = ()
    misread: tuple[Misread, ...] = ()
    places: tuple[WrittenPlace | None, ...] = ()
    own: tuple[Movement, ...] = ()

    def check(self) -> None:
        """All that a passage promises, on both sides; raises PassageError."""
        p, timing = self, self.timing
        _expect(0 <= p.number <= GREATEST_NUMBER, f"a change's number up to {GREATEST_NUMBER}", p.number)
        _expect(1 <= p.count <= MOST_EDGES, f"1 to {MOST_EDGES} changes", p.count)
        _expect(0 <= p.skip <= MOST_SKIPPED, f"at most {MOST_SKIPPED} changes besides", p.skip)
        _expect(0 <= p.at_us <= GREATEST_AT_US, "a beginning within a session", f"{p.at_us} µs")
        _expect(1 <= len(p.edges) <= MOST_EDGES, f"1 to {MOST_EDGES} finger times", len(p.edges))
        _expect(p.end_us <= LONGEST_US, "a passage of at most a day", f"{p.end_us} µs")
        before_us, stood = 0, -1
        for t_us, mask in p.edges:
            _expect(before_us <= t_us, "finger times that never go back", f"{t_us} µs after {before_us} µs")
            _expect(
                0 <= mask <= 0xFF and mask != stood, "fingers that move at each finger time", f"{mask} after {stood}"
            )
            before_us, stood = t_us, mask
        _expect(p.edges[0][0] == 0, "a first finger time of 0", f"{p.edges[0][0]} µs")
        _expect(before_us <= p.end_us, "an end after the last finger time", f"{p.end_us} µs")
        _expect(len(p.doubts) <= MOST_DOUBTS, f"at most {MOST_DOUBTS} places where frames were lost", len(p.doubts))
        for doubt in p.doubts:
            _expect(
                0 <= doubt.start_us <= doubt.end_us <= p.end_us and 0 <= doubt.count <= GREATEST_NUMBER,
                "lost frames within the passage",
                f"{doubt.start_us} to {doubt.end_us} µs",
            )
        for value_us in (timing.uncertainty_us, timing.scan_us, timing.skew_us):
            _expect(0 <= value_us <= LONGEST_US, "a timing uncertainty of at most a day", f"{value_us} µs")
        for name, value_us in zip((field.name for field in fields(Settings)), astuple(p.settings), strict=True):
            _expect(1 <= value_us <= GREATEST_SETTING_US, f"{name} from 1 to {GREATEST_SETTING_US}", value_us)
        _check_table(p.table)
        _expect(len(p.musics) <= MOST_MUSICS, f"at most {MOST_MUSICS} musics", len(p.musics))
        for t_us, hole, rise_raw in p.slopes:
            _expect(
                0 <= t_us <= p.end_us and 0 <= hole < HOLES and 0 <= rise_raw <= GREATEST_RISE,
                f"slopes of edges up to {GREATEST_RISE}",
                f"{rise_raw} at {t_us} µs",
            )
        before_us = -1
        for music in p.musics:
            _expect(before_us < music.start_us <= p.end_us, "musics one after the other", f"{music.start_us} µs")
            _expect(len(music.notes) <= MOST_EDGES, f"at most {MOST_EDGES} written notes", len(music.notes))
            _expect(all(len(note.graces) <= MOST_GRACES for note in music.notes), f"{MOST_GRACES} grace notes", "more")
            stage_us = 1 if music.asked.stage_us is None else music.asked.stage_us
            _expect(1 <= stage_us <= GREATEST_SETTING_US, f"a stage from 1 to {GREATEST_SETTING_US}", stage_us)
            name = music.asked.name
            _expect(len(name) <= LONGEST_NAME and name.isprintable(), "a short name of a music", repr(name[:40]))
            before_us = music.start_us
        _expect(len(p.misread) <= MOST_EDGES, f"at most {MOST_EDGES} notes not as written", len(p.misread))
        _expect(len(p.own) <= MOST_OWN, f"at most {MOST_OWN} forms of own movements", len(p.own))
        for movement in p.own:
            _check_movement(movement)
        before_us = 0
        for one in p.misread:
            _expect(
                before_us <= one.start_us <= p.end_us, "notes not as written in order of time", f"{one.start_us} µs"
            )
            _expect((one.written is not None) == (one.kind in ("missed", "wrong")), "a written note", one.kind)
            _expect((one.note is None) == (one.kind == "missed"), "a note that was played", one.kind)
            _expect(one.finger is None or one.kind == "extra", "a finger with a note too many", one.kind)
            before_us = one.start_us
        for place in p.places:
            if place is not None:
                known = 0 <= place.music < len(p.musics) and p.musics[place.music].is_known
                _expect(known, "notes that are written in a music of the passage", place.music)
                _expect(1 <= place.pass_number <= GREATEST_NUMBER, f"a pass up to {GREATEST_NUMBER}", place.pass_number)
                _expect(0 <= place.number <= GREATEST_NUMBER, f"a written note up to {GREATEST_NUMBER}", place.number)
                _expect(0 <= (place.bar or 0) <= GREATEST_NUMBER, f"a bar up to {GREATEST_NUMBER}", place.bar)

    def written(self, analysis: Analysis) -> list[WrittenPlace | None]:
        """Where each melody note of the passage's own `analysis` is written. Raises PassageError."""
        begin, end = notes_around(analysis, 0, self.count - 1)
        places = self.places or (None,) * (end + 1 - begin)
        if len(places) != end + 1 - begin:
            raise PassageError(f"places of {end + 1 - begin} notes", f"places of {len(places)}")
        return [*(None,) * begin, *places, *(None,) * (len(analysis.held) - end - 1)]

    def misread_words(self, analysis: Analysis) -> list[str]:
        """A sentence for each of `misread`; `analysis` is the passage's own."""
        held = analysis.held
        told = []
        for one in self.misread:
            number = bisect_left(held, one.start_us, key=lambda note: note.start_us)
            if one.finger is not None and one.note is not None and 0 < number < len(held):
                gist = idle_extra_gist(held[number - 1], held[number], one.finger, one.note)
            else:
                gist = misread_gist(one.kind, one.written, one.note)
            told.append(placed_words(gist, one.bar, one.uncertain))
        return told

    def record(self) -> Record:
        """The hole states as if they had just come in."""
        lost = sum(doubt.count for doubt in self.doubts if doubt.cause == "lost")
        restarts = sum(doubt.cause == "restart" for doubt in self.doubts)
        return Record(
            t_us=np.array([t_us for t_us, _ in self.edges], dtype=np.int64),
            covered=np.array([mask for _, mask in self.edges], dtype=np.uint8),
            end_us=self.end_us,
            doubts=list(self.doubts),
            intake=Intake(frames=len(self.edges), lost_frames=lost, restarts=restarts),
            clock=self.timing.clock,
            scan_us=self.timing.scan_us,
            slopes=Slopes(
                np.array([t_us for t_us, _, _ in self.slopes], dtype=np.int64),
                np.array([hole for _, hole, _ in self.slopes], dtype=np.uint8),
                np.array([rise_raw for _, _, rise_raw in self.slopes], dtype=np.uint16),
                np.zeros(len(self.slopes), dtype=np.uint16),
            ),
        )

    def analysis(self) -> Analysis:
        """The passage analysed: its `count` changes alone, with the held notes beside them. Raises PassageError."""
        known = repertoire_with(self.own, name=OWN) if self.own else STANDARD
        whole = analyse(self.record(), self.table, self.timing, self.settings, self.musics, known=known)
        found = len(whole.changes)
        if found < self.skip + self.count:
            raise PassageError(f"finger times for {self.skip + self.count} changes", f"times for {found}")
        return replace(whole, timing=self.timing, parts=[changes_alone(whole, self.skip, self.skip + self.count)])


def _expect(holds: bool, expected: str, got: object) -> None:
    if not holds:
        raise PassageError(expected, str(got), "Such a passage does not go into a message")


def _check_movement(movement: Movement) -> None:
    name, notes = movement.name, movement.notes
    named = 0 < len(name) <= LONGEST_NAME and name.isprintable()
    _expect(named, "a short name of an own movement", repr(name[:40]))
    _expect(1 <= len(notes) <= MOST_NOTES, f"1 to {MOST_NOTES} notes of an own movement", len(notes))
    alike = any(one == other for one, other in zip(notes, (*notes[1:], movement.on), strict=True))
    _expect(not alike, "another note after each of an own movement", "one twice in a row")
    _expect(len(movement.roles) == len(notes), "a role for each note", len(movement.roles))
    for role in movement.roles:
        (short, long), (shortest, longest) = role.skilled, role.learner
        rises = 0 < short <= long <= LONGEST_MS and shortest <= longest <= LONGEST_MS
        _expect(rises and short < shortest and long < longest, "lengths that rise", f"{role.skilled} {role.learner}")


def _check_table(table: Table) -> None:
    name = table.name
    _expect(len(name) <= LONGEST_NAME and name.isprintable(), "a short name of a fingering table", repr(name[:40]))
    masks = [*table.standard, *table.alternates]
    _expect(
        len(set(masks)) == len(masks) and HANDS_OFF not in masks,
        "each fingering once, none with all holes open",
        "another",
    )
    for note, mask in enumerate(table.standard):
        _expect(SOUNDING[mask] == note, f"a fingering that sounds {NOTES[note]}", f"one of {NOTES[SOUNDING[mask]]}")


def cut(analysis: Analysis, first: int, last: int) -> Passage:
    """The passage of the changes from number `first` to number `last`, both from 0 and both in it.

    Raises PassageError where the session has no such changes, or where they reach beyond what a passage can hold.
    """
    count = len(analysis.changes)
    if not 0 <= first <= last < count:
        raise PassageError(
            f"changes from 1 to {count}" if count else "a session with changes in it",
            f"{first + 1} to {last + 1}",
            "their numbers are in: fingerlead analyse FILE --format csv",
        )
    ours = findings(analysis, first, last)
    for own in _own_ways(analysis, first, last):
        for wider in WIDER:
            passage = replace(_cut(analysis, first, last, wider), own=own)
            passage.check()
            if _reads_the_same(passage, ours):
                return passage
    raise PassageError(
        "changes that read the same by themselves", f"{first + 1} to {last + 1}, which do not", "send more around them"
    )


def _own_ways(analysis: Analysis, first: int, last: int) -> Iterator[tuple[Movement, ...]]:
    """Which of a teacher's own movements may go along: none, those that are named in these changes, or all."""
    yield ()
    own = tuple(
        replace(one, family=one.name, source=OWN, opening="none", faults=(), roles=_roles(one))
        for one in analysis.known.own
    )
    part = changes_alone(analysis, first, last + 1)
    names = {name for movement in part.movements for name in (movement.name, movement.written)}
    ends = {(movement.from_note, movement.to_note) for movement in part.movements}
    here = tuple(
        one
        for one in own
        if one.name in names and any(one.on in (None, to) and one.after in (None, since) for since, to in ends)
    )
    ways = [here, own]
    yield from (way for way in dict.fromkeys(ways) if 0 < len(way) <= MOST_OWN)


def _roles(movement: Movement) -> tuple[Role, ...]:
    """The roles of an own movement, their lengths in whole µs."""
    return tuple(
        replace(role, skilled=_whole(role.skilled), learner=_whole(role.learner), source=OWN) for role in movement.roles
    )


def _whole(ends_ms: tuple[float, float]) -> tuple[float, float]:
    short, long = (round(1_000 * end) / 1_000 for end in ends_ms)
    return short, long


def _cut(analysis: Analysis, first: int, last: int, wider: int) -> Passage:
    """The passage with so many more notes on each side than are known to have a say."""
    a = analysis.arrays
    begin, end = notes_around(analysis, first, last)
    if begin > 0 and _leans(analysis, begin):
        begin -= 1
    if end < len(a.note) - 1 and _leans(analysis, end):
        end += 1
    begin, end = max(begin - wider, 0), min(end + wider, len(a.note) - 1)
    from_us, end_us = int(a.start_us[begin]), int(a.end_us[end])
    # What sounded before the first note and after the last has a say too.
    if wider and begin == 0:
        from_us = int(analysis.edge_us[0])
    if wider and end == len(a.note) - 1:
        end_us = int(analysis.edge_us[-1])
    one, stop = np.searchsorted(analysis.edge_us, (from_us, end_us), side="left").tolist()
    columns = (analysis.edge_us[one:stop] - from_us, analysis.covered[one:stop])
    edges = tuple(zip(*(column.tolist() for column in columns), strict=True))
    doubts = (
        Doubt(max(d.start_us, from_us) - from_us, min(d.end_us, end_us) - from_us, d.cause, d.count)
        for d in sorted(analysis.doubts, key=lambda doubt: (doubt.start_us, doubt.end_us))
        if d.end_us >= from_us and d.start_us <= end_us
    )
    here = [n for n, one in enumerate(analysis.musics) if one.start_us <= end_us and one.end_us > from_us]
    passage = Passage(
        number=first,
        count=last + 1 - first,
        skip=int((a.first[:first] > one).sum()),
        at_us=from_us,
        edges=edges,
        end_us=end_us - from_us,
        doubts=tuple(doubts),
        # Its edges are at their seals already.
        timing=replace(analysis.timing, seal=None),
        settings=analysis.settings,
        table=analysis.table,
        musics=tuple(_musics(analysis, here, begin, end, from_us)),
        slopes=tuple(_slopes(analysis, edges, from_us)),
        misread=tuple(_misread(analysis, first, last, from_us)),
        places=_places(analysis, here, first, last),
    )
    passage.check()
    return passage


def _slopes(analysis: Analysis, edges: tuple[tuple[int, int], ...], from_us: int) -> Iterator[tuple[int, int, int]]:
    """The slopes of the fingers that move in these edges, where any counts."""
    if analysis.timing.budget is None:
        return
    slopes = analysis.slopes
    here = (slopes.t_us >= from_us) & (slopes.t_us <= from_us + edges[-1][0])
    columns = (slopes.t_us[here] - from_us, slopes.hole[here], slopes.rise_raw[here])
    told = {(t_us, hole): rise for t_us, hole, rise in zip(*(each.tolist() for each in columns), strict=True)}
    for (_, before), (t_us, mask) in pairwise(edges):
        for hole in fingers_of(before ^ mask):
            if (t_us, hole) in told:
                yield t_us, hole, told[t_us, hole]


def _reads_the_same(passage: Passage, ours: dict[str, list[Any]]) -> bool:
    """Whether the other side finds in it what this side finds."""
    try:
        theirs = passage.analysis()
    except PassageError:
        return False
    return findings(theirs, 0, passage.count - 1, passage.at_us) == ours


def _musics(analysis: Analysis, here: Sequence[int], begin: int, end: int, from_us: int) -> Iterator[Music]:
    """The musics `here`, from one held note to another: the melody as it was read there, with its grace notes.

    The whole music would be too long for a message, and a part of it would leave open where the player stood.
    """
    held = analysis.held
    # A note that corrects a wrong one is read without the grace notes that are written before it.
    graced = {
        bisect_left(held, movement.end_us, key=lambda note: note.start_us)
        for movement in analysis.movements
        if movement.written is not None
    }
    musics = [analysis.musics[number] for number in here]
    starts_us = [max(music.start_us, from_us) - from_us for music in musics]
    ends_us = [*starts_us[1:], Music().end_us]
    for music, start_us, stop_us in zip(musics, starts_us, ends_us, strict=False):
        notes = tuple(
            WrittenNote(note.note, _graces(note, music) if number in graced else ())
            for number, note in enumerate(held[begin : end + 1], begin)
            if music.is_known and start_us <= note.start_us - from_us < stop_us
        )
        asked = music.asked
        name = "".join(filter(str.isprintable, asked.name))[:LONGEST_NAME]
        asked = SessionMusic(asked.kind, name, judged=asked.judged, stage_us=asked.stage_us)
        yield Music(notes, start_us, stop_us, asked)


def _places(analysis: Analysis, here: Sequence[int], first: int, last: int) -> tuple[WrittenPlace | None, ...]:
    """Where the notes around these changes are written in the musics `here`; none where none of them is."""
    begin, end = notes_around(analysis, first, last)
    found, pass_of = passes(analysis)
    places: list[WrittenPlace | None] = []
    for note, which in zip(analysis.held[begin : end + 1], pass_of[begin : end + 1], strict=True):
        at = note.written
        if at is None or which is None or at.music not in here:
            places.append(None)
            continue
        bar = analysis.musics[at.music].notes[at.number].bar
        places.append(WrittenPlace(here.index(at.music), found[which].number, at.number, bar))
    return tuple(places) if any(places) else ()


def _misread(analysis: Analysis, first: int, last: int, from_us: int) -> Iterator[Misread]:
    """What is not as written, from the note that the first change leaves to the one that the last leads to."""
    a = analysis.arrays
    left, _ = notes_around(analysis, first, last)
    from_note_us, until_us = int(a.start_us[left]), int(analysis.edge_us[a.last[last]])
    for one in departures(analysis):
        if one.kind in MISREAD and from_note_us <= one.start_us <= until_us:
            at_us = one.start_us - from_us
            yield Misread(one.kind, at_us, one.written, one.note, one.finger, one.bar, one.uncertain)


def _graces(note: Held, music: Music) -> tuple[int, ...]:
    if note.written is None or note.written.number >= len(music.notes):
        return ()
    written = music.notes[note.written.number]
    return written.graces if written.note == note.note else ()


def _leans(analysis: Analysis, held: int) -> bool:
    """Whether a held note's other neighbour may decide how it, or the change beside it, is judged."""
    note = analysis.held[held]
    return note.end_us - note.start_us < PERHAPS_US or note.fingering in ("grace", "false")
