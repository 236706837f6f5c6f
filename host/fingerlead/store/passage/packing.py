"""A passage as one great number, and back. `pack` and `unpack` go the same way step by step.

Times are told as steps from one to the next, in whole scans of the chanter and what is left over: a chanter's stamps
are whole scans apart, or nearly so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, fields
from functools import lru_cache
from typing import Literal, get_args

from fingering.notes import NOTES, SOUNDING
from fingering.table import Table, TableRow, standard_table
from fingerlead.store.passage.stretch import LONGEST_NAME, MOST_DOUBTS, MOST_EDGES, Passage
from fingerlead.store.passage.text import Packer, PassageError, Sizes, SymbolCounts, Unpacker
from fingerlead.timing.results import Settings, Timing
from fingerlead.wire.events import Cause, Doubt

CLOCKS: tuple[Literal["chanter", "host"], ...] = ("chanter", "host")
SKEWS: tuple[Literal["measured", "assumed", "given"], ...] = ("measured", "assumed", "given")
CAUSES: tuple[Cause, ...] = get_args(Cause)
SEVERAL = 8  # where a single finger's number would stand: more than one moved at once
DEFAULTS = astuple(Settings())
MOST_ALTERNATES = 255


class TimeSteps:
    """Steps of time of a kind: whole scans, and how far off they are."""

    def __init__(self, scan_us: int) -> None:
        self.unit_us = max(scan_us, 1)
        self.scans, self.off_us = Sizes(), Sizes()

    def pack(self, step_us: int, packer: Packer) -> None:
        """A step from 0 on."""
        scans = (step_us + self.unit_us // 2) // self.unit_us
        packer.number(scans, self.scans)
        packer.signed(step_us - scans * self.unit_us, self.off_us)

    def unpack(self, unpacker: Unpacker) -> int:
        """The next step."""
        return unpacker.number(self.scans) * self.unit_us + unpacker.signed(self.off_us)


def pack(passage: Passage) -> int:
    """The number of a passage that keeps its promises."""
    packer, sizes = Packer(), Sizes()
    head = (passage.number, passage.count, passage.skip, passage.at_us, len(passage.edges), len(passage.doubts))
    for value in head:
        packer.number(value, sizes)
    _pack_judging(passage, packer, sizes)
    steps, moves = TimeSteps(passage.timing.scan_us), SymbolCounts(SEVERAL + 1)
    before_us, stood = 0, 0
    for t_us, mask in passage.edges:
        steps.pack(t_us - before_us, packer)
        moved = mask ^ stood
        single = moved.bit_count() == 1
        packer.symbol(moved.bit_length() - 1 if single else SEVERAL, moves)
        if not single:
            packer.among(moved, 256)
        before_us, stood = t_us, mask
    steps.pack(passage.end_us - before_us, packer)
    _pack_doubts(passage.doubts, packer, steps.unit_us)
    return packer.packed()


def unpack(packed: int) -> Passage:
    """The passage of a number; raises PassageError where it is none. What it promises is still to be checked."""
    unpacker, sizes = Unpacker(packed), Sizes()
    number, count, skip, at_us, edge_count, doubt_count = (unpacker.number(sizes) for _ in range(6))
    if edge_count > MOST_EDGES or doubt_count > MOST_DOUBTS:
        raise PassageError(
            f"at most {MOST_EDGES} finger times and {MOST_DOUBTS} losses", f"{edge_count} and {doubt_count}"
        )
    timing, settings, table = _unpack_judging(unpacker, sizes)
    steps, moves = TimeSteps(timing.scan_us), SymbolCounts(SEVERAL + 1)
    edges = []
    t_us, stood = 0, 0
    for _ in range(edge_count):
        t_us += steps.unpack(unpacker)
        finger = unpacker.symbol(moves)
        stood ^= unpacker.among(256) if finger == SEVERAL else 1 << finger
        edges.append((t_us, stood))
    end_us = t_us + steps.unpack(unpacker)
    doubts = _unpack_doubts(doubt_count, unpacker, steps.unit_us)
    if unpacker.rest:
        raise PassageError("a message that ends with its passage", "one that goes on")
    return Passage(number, count, skip, at_us, tuple(edges), end_us, doubts, timing, settings, table)


def _pack_doubts(doubts: Sequence[Doubt], packer: Packer, unit_us: int) -> None:
    begins, lengths, causes, counts = TimeSteps(unit_us), TimeSteps(unit_us), SymbolCounts(len(CAUSES)), Sizes()
    before_us = 0
    for doubt in doubts:
        begins.pack(doubt.start_us - before_us, packer)
        lengths.pack(doubt.end_us - doubt.start_us, packer)
        packer.symbol(CAUSES.index(doubt.cause), causes)
        packer.number(doubt.count, counts)
        before_us = doubt.start_us


def _unpack_doubts(count: int, unpacker: Unpacker, unit_us: int) -> tuple[Doubt, ...]:
    begins, lengths, causes, counts = TimeSteps(unit_us), TimeSteps(unit_us), SymbolCounts(len(CAUSES)), Sizes()
    doubts = []
    start_us = 0
    for _ in range(count):
        start_us += begins.unpack(unpacker)
        length_us = lengths.unpack(unpacker)
        cause = CAUSES[unpacker.symbol(causes)]
        doubts.append(Doubt(start_us, start_us + length_us, cause, unpacker.number(counts)))
    return tuple(doubts)


def _pack_judging(passage: Passage, packer: Packer, sizes: Sizes) -> None:
    """Timing, the settings that are not the usual ones, and the fingering table."""
    timing, settings = passage.timing, astuple(passage.settings)
    packer.among(CLOCKS.index(timing.clock), len(CLOCKS))
    packer.among(SKEWS.index(timing.skew), len(SKEWS))
    for value_us in (timing.uncertainty_us, timing.scan_us, timing.skew_us):
        packer.number(value_us, sizes)
    for value_us, usual_us in zip(settings, DEFAULTS, strict=True):
        packer.among(value_us != usual_us, 2)
        if value_us != usual_us:
            packer.number(value_us, sizes)
    known = [_judges_by(table) for table in _known_tables()]
    own = _judges_by(passage.table)
    which = known.index(own) if own in known else len(known)
    packer.among(which, len(known) + 1)
    if which == len(known):
        _pack_table(passage.table, packer)


def _unpack_judging(unpacker: Unpacker, sizes: Sizes) -> tuple[Timing, Settings, Table]:
    clock = CLOCKS[unpacker.among(len(CLOCKS))]
    skew = SKEWS[unpacker.among(len(SKEWS))]
    uncertainty_us, scan_us, skew_us = (unpacker.number(sizes) for _ in range(3))
    settings = {
        column.name: unpacker.number(sizes) if unpacker.among(2) else usual_us
        for column, usual_us in zip(fields(Settings), DEFAULTS, strict=True)
    }
    known = _known_tables()
    which = unpacker.among(len(known) + 1)
    table = _unpack_table(unpacker) if which == len(known) else known[which]
    return Timing(clock, uncertainty_us, scan_us, skew_us, skew), Settings(**settings), table


@lru_cache(maxsize=1)
def _known_tables() -> tuple[Table, ...]:
    """The tables that both sides have; any other goes along, its masks and its name."""
    return standard_table(), standard_table(alternates=True)


def _judges_by(table: Table) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
    return table.name, table.standard, tuple(table.alternates)


def _pack_table(table: Table, packer: Packer) -> None:
    packer.among(len(table.alternates), MOST_ALTERNATES + 1)
    for mask in (*table.standard, *table.alternates):
        packer.among(mask, 256)
    name = table.name.encode()
    packer.among(len(name), 4 * LONGEST_NAME + 1)
    for byte in name:
        packer.among(byte, 256)


def _unpack_table(unpacker: Unpacker) -> Table:
    count = unpacker.among(MOST_ALTERNATES + 1)
    standard, alternates = ([unpacker.among(256) for _ in range(some)] for some in (len(NOTES), count))
    letters = bytes(unpacker.among(256) for _ in range(unpacker.among(4 * LONGEST_NAME + 1)))
    try:
        name = letters.decode()
    except UnicodeDecodeError:
        raise PassageError("the name of a fingering table", "bytes that are no text") from None
    rows = {
        mask: TableRow(SOUNDING[mask], mask, "alternate", f"alternate {NOTES[SOUNDING[mask]]}", name, None)
        for mask in alternates
    }
    basis = (TableRow(SOUNDING[mask], mask, "standard", NOTES[SOUNDING[mask]], name, None) for mask in standard)
    return Table(name, tuple(standard), rows, (*basis, *rows.values()))
