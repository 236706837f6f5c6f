"""The analysis as array functions over a closed stretch of timeline: the one implementation for live and batch.

`measure` takes edges and gives a `Part`. It ends a part at the last *anchor*, a closed held note too long to be a grace
or passing note, and says where the next part must begin: at that anchor's first edge. Parts so cut, wherever the cuts
fall, hold the same results as the whole. Batch measures large pieces one after the other, so that memory stays small
and near; live measures the unsettled tail.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fingering.movements import name_movement
from fingerlead.timing import measure as m
from fingerlead.timing.results import Ornament, OrnamentNote, Settings
from fingerlead.timing.segment import Indices, held_notes, is_anchor, without_slow_graces
from fingerlead.timing.timeline import NO_NOTE, POPCOUNT, Geometry

# Fits the second-level cache of common machines; measured, not critical.
PIECE_EDGES = 1 << 15
# Notes packed four bits each into one 64-bit number; no movement of the table is longer.
LONGEST_MOVEMENT = 15


@dataclass(frozen=True, slots=True)
class Rules:
    """All that decides besides the edges. `doubts` is int64[k, 2]: the uncertain spans, ends included."""

    settings: Settings
    geometry: Geometry
    uncertainty_us: int
    doubts: NDArray[np.int64]


@dataclass(slots=True)
class Part:
    """Results for a stretch of timeline. Changes count on through the parts before it.

    Per held note: `note, mask, start_us, end_us`. Per change: the two notes and settled masks, `first` and `last` edge,
    `change_us` (start), `spread_us`, `lead` (-1 none), `verdict`, `plain` (a stray was heard, or no ornament and no
    returning finger), `loose`. `finger_us`: the times of the fingers that differ, from the change's start, flat in
    order of change and finger. Strays and slips are flat, with the number of the change they belong to.
    """

    note: NDArray[np.uint8]
    mask: NDArray[np.uint8]
    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    from_note: NDArray[np.uint8]
    to_note: NDArray[np.uint8]
    from_mask: NDArray[np.uint8]
    to_mask: NDArray[np.uint8]
    first: NDArray[np.int32]
    last: NDArray[np.int32]
    change_us: NDArray[np.int64]
    spread_us: NDArray[np.int64] | NDArray[np.int32]
    finger_us: NDArray[np.int64] | NDArray[np.int32]
    lead: NDArray[np.int8]
    verdict: NDArray[np.uint8]
    plain: NDArray[np.bool_]
    loose: NDArray[np.bool_]
    stray_change: NDArray[np.int32]
    stray_note: NDArray[np.uint8]
    stray_mask: NDArray[np.uint8]
    stray_start_us: NDArray[np.int64]
    stray_us: NDArray[np.int64]
    slip_change: NDArray[np.int32]
    slip_finger: NDArray[np.uint8]
    slip_start_us: NDArray[np.int64]
    slip_us: NDArray[np.int64]
    ornaments: list[Ornament] = field(default_factory=list)


def nothing() -> Part:
    """The part of a timeline without edges."""
    columns: dict[str, Any] = {
        column.name: np.zeros(0, dtype=np.int64) for column in fields(Part) if column.name != "ornaments"
    }
    return Part(**columns)


@dataclass(slots=True)
class Progression:
    """Where the measuring stands: the next part's first edge, and how many changes lie before it."""

    edge: int = 0
    changes: int = 0
    carried: bool = False  # the first held note here was the last one of the part before


def measure(
    edge_us: NDArray[np.int64], covered: NDArray[np.uint8], rules: Rules, place: Progression, *, final: bool
) -> tuple[Part, Progression] | None:
    """Measure edges from `place` on, up to the last anchor (or to the end, where `final`); None if there is none yet.

    `edge_us` int64[n + 1] and `covered` uint8[n] as in `segment`, beginning at edge number `place.edge`.
    """
    settings, geometry = rules.settings, rules.geometry
    notes = held_notes(edge_us, covered, settings, geometry)
    next_edge = len(covered)
    if not final:
        anchors = (
            is_anchor(notes.note, notes.end_us - notes.start_us, settings) & (notes.stop < len(covered))
        ).nonzero()[0]
        if not anchors.size or notes.begin[anchors[-1]] == 0:
            return None
        notes = notes.take(slice(0, int(anchors[-1]) + 1))
        next_edge = int(notes.begin[-1])
    notes = without_slow_graces(notes, settings)
    windows = m.windows_between(notes, covered)
    at, window = m.edges_in(windows)
    times, returns = m.finger_times(windows, at, window, edge_us, covered, settings.bounce_us)
    named, runs = _movements(windows, at, window, edge_us, covered, settings)
    explained = np.zeros(len(windows), dtype=bool)
    explained[list(named)] = True
    strays, sounded = m.strays_and_sounding_returns(windows, at, window, returns, explained, edge_us, covered)

    is_change = windows.from_note != windows.to_note
    differs = windows.from_mask ^ windows.to_mask
    times = times[is_change]
    lead, after_us, spread_us = m.leads(times, rules.uncertainty_us)
    heard = np.zeros(len(windows), dtype=bool)
    heard[strays.window[strays.duration_us >= settings.heard_us]] = True
    plain = heard | ~(explained | sounded)
    verdict = np.full(len(windows), m.CLEAN, dtype=np.uint8)
    verdict[m.perhaps(notes, windows, settings, geometry)] = m.PERHAPS
    verdict[~plain] = m.ORNAMENTED
    verdict[heard] = m.STRAY
    if rules.doubts.size:
        verdict[m.touches(edge_us[windows.first], edge_us[windows.last], rules.doubts)] = m.UNCERTAIN

    change_number = np.cumsum(is_change) - 1 + place.changes
    moved_us = times.reshape(-1)
    moved_us = moved_us[moved_us != m.NOT_MOVED]
    finger_us = moved_us - np.repeat(after_us.astype(times.dtype), POPCOUNT[differs[is_change]])
    slip = is_change[returns.window] & ~explained[returns.window]
    given = notes.note != NO_NOTE
    if place.carried:
        given[0] = False  # it was given with the part before
    plain_change = plain[is_change]
    part = Part(
        note=notes.note[given],
        mask=notes.mask[given],
        start_us=notes.start_us[given],
        end_us=notes.end_us[given],
        from_note=windows.from_note[is_change],
        to_note=windows.to_note[is_change],
        from_mask=windows.from_mask[is_change],
        to_mask=windows.to_mask[is_change],
        first=(windows.first[is_change] + place.edge).astype(np.int32),
        last=(windows.last[is_change] + place.edge).astype(np.int32),
        change_us=edge_us[windows.first[is_change]] + after_us,
        spread_us=spread_us,
        finger_us=finger_us,
        lead=np.where(plain_change, lead, m.NO_LEAD).astype(np.int8),
        verdict=verdict[is_change],
        plain=plain_change,
        loose=spread_us > settings.loose_us,
        stray_change=change_number[strays.window].astype(np.int32),
        stray_note=strays.note,
        stray_mask=strays.mask,
        stray_start_us=strays.start_us,
        stray_us=strays.duration_us,
        slip_change=change_number[returns.window[slip]].astype(np.int32),
        slip_finger=returns.finger[slip],
        slip_start_us=returns.start_us[slip],
        slip_us=returns.duration_us[slip],
        ornaments=list(_ornaments(named, runs, windows)),
    )
    after = Progression(
        edge=place.edge + next_edge,
        changes=place.changes + int(is_change.sum()),
        carried=not final,
    )
    return part, after


def measure_in_pieces(
    edge_us: NDArray[np.int64], covered: NDArray[np.uint8], rules: Rules, piece_edges: int = PIECE_EDGES
) -> Iterator[Part]:
    """Measure a whole timeline, a piece at a time; a piece without an anchor grows until it has one."""
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


@lru_cache(maxsize=65536)
def _movement(packed: int, from_note: int, to_note: int) -> str | None:
    """The name of the movement whose notes are packed four bits each, lowest first."""
    sounded = []
    while packed:
        sounded.append((packed & 15) - 1)
        packed >>= 4
    found = name_movement(tuple(sounded), from_note, to_note)
    return None if found is None else found.name


def _movements(
    windows: m.Windows,
    at: Indices,
    window: Indices,
    edge_us: NDArray[np.int64],
    covered: NDArray[np.uint8],
    settings: Settings,
) -> tuple[dict[int, str], m.Runs | None]:
    """The windows that a movement of the ornament table explains, by name, and the notes heard in the busy windows."""
    if not windows.busy.any():
        return {}, None
    # What the last edge brings is the second note, not something between.
    between = windows.busy[window] & (at != windows.last[window])
    runs = m.joined(window[between], at[between], edge_us, covered)
    end_us = runs.start_us + runs.duration_us
    leaving = (runs.start_us == edge_us[windows.first[runs.window]]) & (runs.note == windows.from_note[runs.window])
    arriving = (end_us == edge_us[windows.last[runs.window]]) & (runs.note == windows.to_note[runs.window])
    runs = runs.take(~leaving & ~arriving & (runs.duration_us >= settings.heard_us))
    if not runs.window.size:
        return {}, None
    begins = (np.concatenate(([True], runs.window[1:] != runs.window[:-1]))).nonzero()[0]
    lengths = np.diff(np.append(begins, len(runs.window)))
    nth = np.arange(len(runs.window)) - np.repeat(begins, lengths)
    packed = (runs.note.astype(np.int64) + 1) << (4 * np.minimum(nth, LONGEST_MOVEMENT - 1))
    keys = np.where(lengths <= LONGEST_MOVEMENT, np.add.reduceat(packed, begins), 0)
    of = runs.window[begins]
    names = map(_movement, keys.tolist(), windows.from_note[of].tolist(), windows.to_note[of].tolist())
    return {window: name for window, name in zip(of.tolist(), names, strict=True) if name}, runs


def _ornaments(named: dict[int, str], runs: m.Runs | None, windows: m.Windows) -> Iterator[Ornament]:
    if runs is None:
        return
    for window, name in named.items():
        begin, stop = np.searchsorted(runs.window, [window, window + 1])
        notes = tuple(
            map(
                OrnamentNote,
                runs.note[begin:stop].tolist(),
                runs.start_us[begin:stop].tolist(),
                runs.duration_us[begin:stop].tolist(),
            )
        )
        end_us = notes[-1].start_us + notes[-1].duration_us
        yield Ornament(name, notes[0].start_us, end_us, int(windows.to_note[window]), notes)
