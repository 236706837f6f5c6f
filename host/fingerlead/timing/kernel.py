"""The analysis as array functions over a closed stretch of timeline: the one implementation for live and batch.

`measure` takes edges and gives a `Part`. It ends a part at the last melody note up to which the reading is settled, and
says where the next part must begin: at that note's first edge. Parts so cut, wherever the cuts fall, hold the same
results as the whole. Batch measures large pieces one after the other, so that memory stays small
and near; live measures the unsettled tail.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fingering.movements import Repertoire
from fingerlead.reading.between import GRACE_NOTES, name_of, places_too_many
from fingerlead.reading.music import ANY
from fingerlead.reading.pricing import Gap
from fingerlead.timing import measure as m
from fingerlead.timing.movement_takes import MovementTake, Sound, played_forms, written_forms
from fingerlead.timing.notes import EXTRA, MOVEMENT, PERHAPS, STRAYS, UNCLEAR, Progression, ReadNotes, Rules, read_notes
from fingerlead.timing.results import ExtraNote, MovementNote, MovementVerdict, PlayedMovement
from fingerlead.timing.segment import HeldNotes, stretches_of
from fingerlead.timing.timeline import NO_NOTE

# What is being read takes the most room, some hundred bytes an edge; measured, and not critical.
PIECE_EDGES = 1 << 14

# What fits into 32 bits.
MOST_NARROW = (1 << 31) - 1

# The columns of a part that are lists.
LISTS = ("movements", "takes", "extras", "off")


@dataclass(slots=True)
class Part:
    """Results for a stretch of timeline. Changes count on through the parts before it.

    Per melody note: `note, mask, start_us, end_us`, and `place` int32[notes, 3]: the music (-1 where none is known),
    how many of its notes are done then, and whether the last of these is written for this note. Per change: the two
    notes and settled masks, `first` and `last` edge, `change_us` (start), `spread_us`, `lead` (-1 none), `verdict`,
    `plain` (nothing but strays sounded in it), `stage_us`, `judged`. `finger_us`: the
    times of the fingers that differ, from the change's start, flat in order of change and finger; `unsure_us` their
    expanded uncertainties, `common_us` the standard one of it that all edges share. Strays and slips are
    flat, with the number of the change they belong to. `takes` are what its `movements` are judged by, None where
    one is not.
    """

    note: NDArray[np.uint8]
    mask: NDArray[np.uint8]
    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    place: NDArray[np.int32]
    from_note: NDArray[np.uint8]
    to_note: NDArray[np.uint8]
    from_mask: NDArray[np.uint8]
    to_mask: NDArray[np.uint8]
    first: NDArray[np.int32]
    last: NDArray[np.int32]
    change_us: NDArray[np.int64]
    spread_us: NDArray[np.int64] | NDArray[np.int32]
    finger_us: NDArray[np.int64] | NDArray[np.int32]
    unsure_us: NDArray[np.int32]
    common_us: NDArray[np.int32]
    lead: NDArray[np.int8]
    verdict: NDArray[np.uint8]
    plain: NDArray[np.bool_]
    stage_us: NDArray[np.int64]
    judged: NDArray[np.bool_]
    stray_change: NDArray[np.int32]
    stray_note: NDArray[np.uint8]
    stray_mask: NDArray[np.uint8]
    stray_start_us: NDArray[np.int64]
    stray_us: NDArray[np.int64]
    stray_heard: NDArray[np.bool_]
    slip_change: NDArray[np.int32]
    slip_finger: NDArray[np.uint8]
    slip_start_us: NDArray[np.int64]
    slip_us: NDArray[np.int64]
    movements: list[PlayedMovement] = field(default_factory=list)
    takes: list[MovementTake | None] = field(default_factory=list)
    extras: list[ExtraNote] = field(default_factory=list)
    off: list[tuple[int, int]] = field(default_factory=list)

    @property
    def largest_us(self) -> int:
        """The uncertainty of its least certain finger, 0 where none moved."""
        return int(self.unsure_us.max(initial=0))


def nothing() -> Part:
    """The part of a timeline without edges."""
    columns: dict[str, Any] = {
        column.name: np.zeros(0, dtype=np.int64) for column in fields(Part) if column.name not in LISTS
    }
    columns["place"] = np.zeros((0, 3), dtype=np.int32)
    columns["from_mask"] = columns["to_mask"] = np.zeros(0, dtype=np.uint8)
    return Part(**columns)


def measure(
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    rules: Rules,
    place: Progression,
    *,
    final: bool,
    sure_us: int | None = None,
) -> tuple[Part, Progression] | None:
    """Measure edges from `place` on, as far as the reading is settled (to the end, where `final`); None if it is not.

    `edge_us` int64[n + 1] and `covered` uint8[n] as in `segment`, beginning at edge number `place.edge`.
    Edges after `sure_us` may yet move a little.
    """
    settings = rules.settings
    stretches = stretches_of(edge_us, covered, settings, rules.geometry)
    read = read_notes(stretches, edge_us, covered, rules, place, final=final, sure_us=sure_us)
    if read is None:
        return None
    settled = read.settled
    notes = _melody(stretches, read)
    windows = m.windows_between(notes)
    kind, doubt = read.kind, read.doubt
    plain = kind <= STRAYS
    edges = m.edges_in(windows, covered)
    errors = rules.errors
    times, returns = m.finger_times(windows, edges, edge_us, settings.bounce_us, errors.flat_us or 0)
    strays = m.strays_in(windows, edges, returns, ~plain, edge_us, covered)

    is_change = windows.from_note != windows.to_note
    # Mostly all are, and nothing need be copied.
    changed: slice | NDArray[np.bool_] = slice(None)
    t_us, count = times.t_us, windows.count
    if not is_change.all():
        changed, t_us, count = is_change, t_us[is_change.repeat(count)], count[is_change]
    lead, start_us, spread_us = times.lead[changed], times.start_us[changed], times.spread_us[changed]
    beyond_us = np.zeros(len(windows))
    unsure_us: NDArray[Any]
    if errors.budget is None:
        beyond_us[:] = errors.flat_us or 0
        flat_us = min(errors.flat_us or 0, MOST_NARROW)
        unsure_us, common_us = np.full(len(t_us), flat_us, dtype=np.int32), np.zeros(len(t_us), np.int32)
    else:
        found = m.certain(t_us, windows.differs[changed], windows.from_mask[changed], errors)
        lead[~found.clear] = m.NO_LEAD
        beyond_us[changed] = found.spread_us
        unsure_us = np.ceil(errors.budget.expanded_us(found.own_us, found.common_us)).astype(np.int32)
        common_us = np.rint(found.common_us).astype(np.int32)
    lasting = strays.duration_us >= settings.heard_us
    sure = lasting & m.sounds_surely(strays, edge_us, covered, errors)
    heard, long = np.zeros((2, len(windows)), dtype=bool)
    heard[strays.window[sure]] = long[strays.window[lasting]] = True
    sounds = notes.note != NO_NOTE
    # A change is judged by the music of the note that it leads to.
    musics = (*rules.musics, ANY)
    asked, is_known = [one.asked for one in musics], np.array([one.is_known for one in musics], dtype=np.bool_)
    music = read.music.take((np.cumsum(sounds) - 1).take(windows.held + 1))
    stages = [settings.stage_us if one.stage_us is None else one.stage_us for one in asked]
    stage_us = np.array(stages, dtype=np.int64)[music]
    judged = np.array([one.judged for one in asked], dtype=np.bool_)[music]
    verdict = np.where(times.spread_us - stage_us > beyond_us, np.uint8(m.APART), np.uint8(m.CLEAN))
    verdict[heard] = m.STRAY
    verdict[kind == MOVEMENT] = m.EMBELLISHED
    # What sounded for long enough, and is no stray of these fingers, is a note too many.
    too_many = (kind == EXTRA) | ((kind == STRAYS) & ~long)
    verdict[too_many] = m.EXTRA
    verdict[doubt == PERHAPS] = m.PERHAPS
    verdict[doubt == UNCLEAR] = m.UNCLEAR
    if rules.doubts.size:
        verdict[m.touches(edge_us[windows.first], edge_us[windows.last], rules.doubts)] = m.UNCERTAIN

    change_number = np.cumsum(is_change) - 1 + place.changes
    slip = is_change[returns.window] & (kind != MOVEMENT)[returns.window]
    where, given = read.place, sounds.copy()
    if not sounds.all():
        where = np.zeros((len(notes), 3), dtype=np.int32)
        where[sounds] = read.place
    if place.stretches:
        given[:1] = False  # it was given with the part before
    plain_change = plain[changed]
    embellished = [(at, read.gaps[at]) for at in read.embellished.tolist()]
    numbers = np.where(is_change, change_number, -1)[read.embellished].tolist()
    movements = [
        _played_movement(gap, stretches, verdict[at] == m.UNCERTAIN, number, rules.known)
        for (at, gap), number in zip(embellished, numbers, strict=True)
    ]
    part = Part(
        note=notes.note[given],
        mask=notes.mask[given],
        start_us=notes.start_us[given],
        end_us=notes.end_us[given],
        place=where[given],
        from_note=windows.from_note[changed],
        to_note=windows.to_note[changed],
        from_mask=windows.from_mask[changed],
        to_mask=windows.to_mask[changed],
        first=(windows.first[changed] + place.edge).astype(np.int32),
        last=(windows.last[changed] + place.edge).astype(np.int32),
        change_us=start_us,
        spread_us=_narrow(spread_us),
        finger_us=_narrow(t_us - start_us.repeat(count)),
        unsure_us=unsure_us,
        common_us=common_us,
        lead=np.where(plain_change, lead, np.int8(m.NO_LEAD)),
        verdict=verdict[changed],
        plain=plain_change,
        stage_us=stage_us[changed],
        judged=judged[changed],
        stray_change=change_number[strays.window].astype(np.int32),
        stray_note=strays.note,
        stray_mask=strays.mask,
        stray_start_us=strays.start_us,
        stray_us=strays.duration_us,
        stray_heard=sure,
        slip_change=change_number[returns.window[slip]].astype(np.int32),
        slip_finger=returns.finger[slip],
        slip_start_us=returns.start_us[slip],
        slip_us=returns.duration_us[slip],
        movements=movements,
        takes=[
            _take(gap, stretches, windows, at, place.edge, rules) if _is_judged(one, gap) else None
            for (at, gap), one in zip(embellished, movements, strict=True)
        ],
        extras=[
            extra
            for at in (is_known[music] & (too_many | (kind == MOVEMENT))).nonzero()[0].tolist()
            for extra in _extra_notes(read.gaps[at], stretches, bool(too_many[at]))
        ],
        off=[(int(a), int(b)) for a, b in zip(notes.start_us[~sounds], notes.end_us[~sounds], strict=True)],
    )
    after = Progression(
        edge=place.edge + (len(covered) if settled is None else int(stretches.begin[settled])),
        stretches=place.stretches + (settled or 0),
        changes=place.changes + int(is_change.sum()),
        rows=[] if settled is None else place.rows,
        doubt=read.doubt_after,
    )
    return part, after


def take_of(edge_us: NDArray[np.int64], covered: NDArray[np.uint8], rules: Rules) -> MovementTake | None:
    """What a timeline of two melody notes has between them to be judged, as `measure` finds it; None where it has none.

    `edge_us` and `covered` as there, from the first edge on. Nothing is lost in it.
    """
    stretches = stretches_of(edge_us, covered, rules.settings, rules.geometry)
    read = read_notes(stretches, edge_us, covered, rules, Progression(), final=True)
    if read is None or len(read.at) != 2 or len(read.kind) != 1 or not len(read.embellished):
        return None
    gap = read.gaps[0]
    if not _is_judged(_played_movement(gap, stretches, False, -1, rules.known), gap):
        return None
    windows = m.windows_between(_melody(stretches, read))
    return _take(gap, stretches, windows, 0, 0, rules)


def doubt_late(part: Part, edges_us: NDArray[np.int64], doubts: NDArray[np.int64], changes_before: int) -> list[int]:
    """Make uncertain what of a part touches spans that are known to be doubtful only now; which of its changes it was.

    `edges_us` int64[changes, 2] are the first and the last edge of each change. An embellishment between two melody
    notes of one pitch stands in no change: it is taken from its first sound to its last.
    """
    touched = m.touches(edges_us[:, 0], edges_us[:, 1], doubts)
    late = touched & (part.verdict != m.UNCERTAIN)
    part.verdict[late] = m.UNCERTAIN
    for place, one in enumerate(part.movements):
        alone = one.change is None and m.touches(np.array([one.start_us]), np.array([one.end_us]), doubts)[0]
        if alone or (one.change is not None and touched[one.change - changes_before]):
            part.movements[place] = replace(
                one, verdict="uncertain", variant=None, tempo_ratio=None, tempos=(), faults=()
            )
    found: list[int] = late.nonzero()[0].tolist()
    return found


def measure_in_pieces(
    edge_us: NDArray[np.int64], covered: NDArray[np.uint8], rules: Rules, piece_edges: int = PIECE_EDGES
) -> Iterator[Part]:
    """Measure a whole timeline, a piece at a time; a piece in which nothing is settled grows until something is."""
    place, size = Progression(), piece_edges
    while place.edge < len(covered):
        stop = min(place.edge + size, len(covered))
        final = stop == len(covered)
        measured = measure(edge_us[place.edge : stop + 1], covered[place.edge : stop], rules, place, final=final)
        if measured is None:
            size *= 2
            continue
        part, place = measured
        size = piece_edges
        yield part


def _narrow(us: NDArray[np.int64]) -> NDArray[np.int64] | NDArray[np.int32]:
    """Lengths in 32 bits, where they fit."""
    return us.astype(np.int32) if us.max(initial=0) <= MOST_NARROW else us


def _melody(stretches: HeldNotes, read: ReadNotes) -> HeldNotes:
    """The melody notes that were read, and hands off among them."""
    chosen = stretches.note[: read.count if read.settled is None else read.settled + 1] == NO_NOTE
    chosen[read.at] = True
    return stretches.take(chosen.nonzero()[0])


def _played_movement(gap: Gap, stretches: HeldNotes, uncertain: bool, change: int, known: Repertoire) -> PlayedMovement:
    """What embellishes a change or a note, as it was played or as it was left out."""
    from_note, to_note = int(stretches.note[gap.first]), int(stretches.note[gap.last])
    why, written = gap.why, name_of(from_note, to_note, gap.graces, known)
    is_played = why.kind == "movement"
    at = [gap.sounds[place] for place in why.notes] if is_played else []
    fits = bool(gap.graces) and is_played and (why.movement is None or why.movement.name == written)
    notes = tuple(
        MovementNote(note, start_us, end_us - start_us, note if fits else None)
        for note, start_us, end_us in zip(
            stretches.note[at].tolist(), stretches.start_us[at].tolist(), stretches.end_us[at].tolist(), strict=True
        )
    )
    verdict: MovementVerdict
    if uncertain or gap.doubt:
        verdict = "uncertain" if uncertain else "unclear"
    elif not gap.graces:
        verdict = "unwritten"
    elif not is_played:
        verdict = "left out"
    elif not fits:
        verdict = "another"
    else:
        verdict = "as written" if not why.missing and len(at) == len(gap.sounds) else "faulty"
    name = why.movement.name if is_played and why.movement is not None else written or GRACE_NOTES
    start_us = notes[0].start_us if notes else int(stretches.end_us[gap.first])
    end_us = notes[-1].start_us + notes[-1].duration_us if notes else int(stretches.start_us[gap.last])
    return PlayedMovement(
        name, written, from_note, to_note, start_us, end_us, notes, verdict, None if change < 0 else change
    )


def _is_judged(movement: PlayedMovement, gap: Gap) -> bool:
    """Whether a movement is sure enough, and near enough to something known, to be judged note by note.

    One that seems left out may have sounded too briefly to be heard.
    """
    if movement.verdict == "left out":
        return gap.last - gap.first > 1 and not gap.sounds
    return gap.why.kind == "movement" and movement.verdict in ("as written", "faulty", "unwritten")


def _take(gap: Gap, stretches: HeldNotes, windows: m.Windows, at: int, edge: int, rules: Rules) -> MovementTake:
    """What a movement is judged by; `edge` is the number of the first edge, `at` that of its window."""
    s, inner = stretches, slice(gap.first + 1, gap.last)
    from_note, to_note = int(s.note[gap.first]), int(s.note[gap.last])
    rows = (s.note[inner], s.start_us[inner], s.end_us[inner], s.mask[inner])
    if gap.graces:
        forms = written_forms(from_note, to_note, gap.graces, rules.known)
    else:
        assert gap.why.movement is not None
        forms = played_forms(gap.why.movement, from_note, to_note, rules.known)
    return MovementTake(
        from_note,
        to_note,
        int(windows.from_mask[at]),
        int(windows.to_mask[at]),
        int(windows.first[at]) + edge,
        int(windows.last[at]) + edge,
        tuple(
            Sound(note, start_us, end_us, mask, end_us - start_us >= rules.settings.heard_us)
            for note, start_us, end_us, mask in zip(*(row.tolist() for row in rows), strict=True)
        ),
        forms,
    )


def _extra_notes(gap: Gap, stretches: HeldNotes, is_extra: bool) -> list[ExtraNote]:
    """What sounded between two melody notes and is neither written there nor a stray of their change."""
    sounds, ends = tuple(stretches.note[list(gap.sounds)].tolist()), stretches.note[[gap.first, gap.last]].tolist()
    places: list[int] = []
    if is_extra:
        # Of a group of notes, one of the two themselves counts only where nothing else sounded.
        places = [place for place, note in enumerate(sounds) if note not in ends] or list(range(len(sounds)))
    elif gap.graces and gap.why.kind == "movement":
        places = places_too_many(gap.why, ends[0], ends[1], sounds)
    at = [gap.sounds[place] for place in places]
    return [
        ExtraNote(int(stretches.note[one]), int(start_us), int(stretches.end_us[one] - start_us))
        for one, start_us in zip(at, stretches.start_us[at], strict=True)
    ]
