"""A passage as one great number, and back.

`_passage` names the parts of a passage once, for both ways: it gives each part to a coder and goes on with what the
coder gives back. A `Packer` keeps what it is given and gives it back; an `Unpacker` gives what the number holds there,
and is given the parts of an empty passage.

What is common costs little, and every whole number means something: this is an asymmetric numeral system (J. Duda,
"Asymmetric numeral systems", 2009, arXiv:0902.0271; from memory) on one integer of any length, which needs no carries.
`SymbolCounts` are what came before, so that common symbols are cheap; both sides count alike. Times are steps from one
to the next, in whole scans of the chanter and what is left over: a chanter's stamps are whole scans apart, or nearly.
"""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import astuple, replace
from functools import lru_cache
from itertools import chain, islice, repeat
from typing import Literal, TypeVar

from fingering.holes import HOLES, fingers_of
from fingering.movements import MOST_NOTES, Movement, Role
from fingering.notes import NOTES, SOUNDING
from fingering.table import Table, TableRow, standard_table
from fingerlead.reading.asked import MusicKind, SessionMusic
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.store.passage.stretch import (
    LONGEST_NAME,
    MOST_DOUBTS,
    MOST_EDGES,
    MOST_GRACES,
    MOST_MUSICS,
    MOST_OWN,
    OWN,
    Misread,
    Passage,
    WrittenPlace,
)
from fingerlead.store.passage.text import PassageError
from fingerlead.timing.against import MISREAD
from fingerlead.timing.budget import SLOWNESS_AT_SEAL, STEEP_AT_SEAL, Budget, assumed
from fingerlead.timing.results import Settings, Timing
from fingerlead.wire.events import Cause, Doubt

CLOCKS: tuple[Literal["chanter", "host"], ...] = ("chanter", "host")
SKEWS: tuple[Literal["measured", "assumed", "given"], ...] = ("measured", "assumed", "given")
# The causes that a passage can name; a trouble is told as a silence.
CAUSES: tuple[Cause, ...] = ("lost", "gap", "restart")
MUSIC_KINDS: tuple[MusicKind, ...] = ("none", "rung", "tune")
LIGHT = "light"  # the share that budgets have had last
SEVERAL = 8  # in place of a single finger's number: more than one moved at once
USUAL = astuple(Settings())
MOST_ALTERNATES = 255
MOST_BITS = 16
# How much one sight of a symbol weighs against never having seen it.
WEIGHT = 24
# Bits of the greatest number that `number` can write.
WIDEST = 63

_NO_ROLE = Role("", (0.0, 0.0), (0.0, 0.0), False, OWN)

T = TypeVar("T")


class SymbolCounts:
    """How often each of `symbols` symbols has come; without a number, those are the sizes of numbers in bits."""

    def __init__(self, symbols: int = WIDEST + 1) -> None:
        self.counts = [1] * symbols

    def share(self, symbol: int) -> tuple[int, int, int]:
        """Where the symbol's share begins, how wide it is, and the sum of all."""
        return sum(self.counts[:symbol]), self.counts[symbol], sum(self.counts)

    def symbol_at(self, place: int) -> int:
        """The symbol in whose share a place is."""
        for symbol, count in enumerate(self.counts):
            if place < count:
                return symbol
            place -= count
        raise ValueError(f"expected a place below {sum(self.counts)}")

    def saw(self, symbol: int) -> None:
        """Count a symbol."""
        self.counts[symbol] += WEIGHT


class Coder(ABC):
    """Takes a part, and gives the part to go on with."""

    @abstractmethod
    def symbol(self, symbol: int, counts: SymbolCounts) -> int:
        """One of the symbols that are counted."""

    @abstractmethod
    def among(self, value: int, values: int) -> int:
        """One of `values` values, all equally likely."""

    def number(self, value: int, sizes: SymbolCounts) -> int:
        """A number from 0 to 2**63 - 1: how many bits it has, then those below the highest."""
        bits = self.symbol(value.bit_length(), sizes)
        if bits < 2:
            return bits
        highest = 1 << bits - 1
        return highest + self.among(value - highest, highest)

    def signed(self, value: int, sizes: SymbolCounts) -> int:
        """A number of either sign."""
        number = self.number(2 * value if value >= 0 else -2 * value - 1, sizes)
        return -(number + 1 >> 1) if number & 1 else number >> 1


class Packer(Coder):
    """Keeps every part that it is given; `packed` is all of them as one integer."""

    def __init__(self) -> None:
        self._shares: list[tuple[int, int, int]] = []

    def symbol(self, symbol: int, counts: SymbolCounts) -> int:
        """Keep the symbol."""
        self._shares.append(counts.share(symbol))
        counts.saw(symbol)
        return symbol

    def among(self, value: int, values: int) -> int:
        """Keep the value."""
        self._shares.append((value, 1, values))
        return value

    def packed(self) -> int:
        """All of it; the last part goes in first, so that the first comes out first."""
        packed = 0
        for begin, width, whole in reversed(self._shares):
            packed = packed // width * whole + begin + packed % width
        return packed


class Unpacker(Coder):
    """Gives what a Packer was given, asked for in the same order; `rest` is 0 when all has been given."""

    def __init__(self, packed: int) -> None:
        self.rest = packed

    def symbol(self, symbol: int, counts: SymbolCounts) -> int:
        """The next symbol, whichever is given."""
        whole = sum(counts.counts)
        place = self.rest % whole
        symbol = counts.symbol_at(place)
        begin, width, _ = counts.share(symbol)
        self.rest = self.rest // whole * width + place - begin
        counts.saw(symbol)
        return symbol

    def among(self, value: int, values: int) -> int:
        """The next of `values` values, whichever is given."""
        self.rest, value = divmod(self.rest, values)
        return value


class TimeSteps:
    """Steps of time of a kind: whole scans, and how far off they are."""

    def __init__(self, scan_us: int) -> None:
        self.unit_us = max(scan_us, 1)
        self.scans, self.off_us = SymbolCounts(), SymbolCounts()

    def step(self, step_us: int, coder: Coder) -> int:
        """A step from 0 on."""
        scans = (step_us + self.unit_us // 2) // self.unit_us
        off_us = step_us - scans * self.unit_us
        return coder.number(scans, self.scans) * self.unit_us + coder.signed(off_us, self.off_us)


def pack(passage: Passage) -> int:
    """The number of a passage that keeps its promises."""
    packer = Packer()
    _passage(passage, packer)
    return packer.packed()


def unpack(packed: int) -> Passage:
    """The passage of a number; raises PassageError where it is none. What it promises is still to be checked."""
    unpacker = Unpacker(packed)
    timing = Timing("chanter", 0, 0, 0, "measured")
    passage = _passage(Passage(0, 0, 0, 0, (), 0, (), timing, Settings(), standard_table()), unpacker)
    if unpacker.rest:
        raise PassageError("a message that ends with its passage", "one that goes on")
    return passage


def _passage(p: Passage, coder: Coder) -> Passage:
    sizes = SymbolCounts()
    head = (p.number, p.count, p.skip, p.at_us, len(p.edges), len(p.doubts))
    number, count, skip, at_us, edge_count, doubt_count = (coder.number(value, sizes) for value in head)
    if edge_count > MOST_EDGES or doubt_count > MOST_DOUBTS:
        raise PassageError(
            f"at most {MOST_EDGES} finger times and {MOST_DOUBTS} losses", f"{edge_count} and {doubt_count}"
        )
    timing = _timing(p.timing, coder, sizes)
    settings = Settings(
        *(
            coder.number(value_us, sizes) if coder.among(int(value_us != usual_us), 2) else usual_us
            for value_us, usual_us in zip(astuple(p.settings), USUAL, strict=True)
        )
    )
    table = _table(p.table, coder)
    steps, moves = TimeSteps(timing.scan_us), SymbolCounts(SEVERAL + 1)
    edges = []
    t_us, stood = 0, 0
    for edge_us, mask in _filled_up(p.edges, (0, 0), edge_count):
        t_us += steps.step(edge_us - t_us, coder)
        moved = mask ^ stood
        finger = coder.symbol(moved.bit_length() - 1 if moved.bit_count() == 1 else SEVERAL, moves)
        stood ^= coder.among(moved, 256) if finger == SEVERAL else 1 << finger
        edges.append((t_us, stood))
    end_us = t_us + steps.step(p.end_us - t_us, coder)
    doubts = tuple(_doubts(_filled_up(p.doubts, Doubt(0, 0, "lost"), doubt_count), coder, timing.scan_us))
    musics = tuple(_musics(p.musics, coder, timing.scan_us))
    # Last, so that a message from before there were budgets, notes not as written, places, own movements, or a share of
    # light ends where it has none.
    timing = _budget(p.timing, timing, coder)
    slopes = tuple(_slopes(p, edges, coder)) if timing.budget is not None else ()
    misread = tuple(_misread(p.misread, coder, timing.scan_us))
    musics, places = tuple(_named(p.musics, musics, coder)), tuple(_places(p.places, musics, coder))
    own = tuple(_own(p.own, coder))
    timing = _light(p.timing, timing, coder)
    return Passage(
        number, count, skip, at_us, tuple(edges), end_us, doubts, timing, settings, table, musics, slopes, misread,
        places, own,
    )  # fmt: skip


def _filled_up(given: Iterable[T], empty: T, count: int) -> Iterator[T]:
    """As many parts as the coder says there are."""
    return islice(chain(given, repeat(empty)), count)


def _doubts(given: Iterable[Doubt], coder: Coder, scan_us: int) -> Iterator[Doubt]:
    begins, lengths, causes, counts = TimeSteps(scan_us), TimeSteps(scan_us), SymbolCounts(len(CAUSES)), SymbolCounts()
    start_us = 0
    for doubt in given:
        start_us += begins.step(doubt.start_us - start_us, coder)
        end_us = start_us + lengths.step(doubt.end_us - doubt.start_us, coder)
        cause = CAUSES[coder.symbol(CAUSES.index("gap" if doubt.cause == "trouble" else doubt.cause), causes)]
        yield Doubt(start_us, end_us, cause, coder.number(doubt.count, counts))


def _musics(given: tuple[Music, ...], coder: Coder, scan_us: int) -> Iterator[Music]:
    sizes, pitches = SymbolCounts(), SymbolCounts(len(NOTES))
    starts, count = TimeSteps(scan_us), coder.number(len(given), sizes)
    if count > MOST_MUSICS:
        raise PassageError(f"at most {MOST_MUSICS} musics", f"{count}")
    read: list[Music] = []
    start_us = 0
    for music in _filled_up(given, Music(), count):
        start_us += starts.step(music.start_us - start_us, coder)
        judged = bool(coder.among(int(music.asked.judged), 2))
        stage_us = coder.number(music.asked.stage_us or 0, sizes) or None
        note_count = coder.number(len(music.notes), sizes)
        if note_count > MOST_EDGES:
            raise PassageError(f"at most {MOST_EDGES} written notes", f"{note_count}")
        notes = []
        for written in _filled_up(music.notes, WrittenNote(0), note_count):
            note, begins_bar = coder.symbol(written.note, pitches), bool(coder.among(int(written.begins_bar), 2))
            grace_count = coder.number(len(written.graces), sizes)
            if grace_count > MOST_GRACES:
                raise PassageError(f"at most {MOST_GRACES} grace notes", f"{grace_count}")
            graces = (coder.symbol(grace, pitches) for grace in _filled_up(written.graces, 0, grace_count))
            notes.append(WrittenNote(note, tuple(graces), begins_bar))
        read.append(Music(tuple(notes), start_us, asked=SessionMusic(judged=judged, stage_us=stage_us)))
    for number, music in enumerate(read):
        yield replace(music, end_us=read[number + 1].start_us if number + 1 < count else music.end_us)


def _misread(given: tuple[Misread, ...], coder: Coder, scan_us: int) -> Iterator[Misread]:
    sizes, kinds, steps = SymbolCounts(), SymbolCounts(len(MISREAD)), TimeSteps(scan_us)
    count = coder.number(len(given), sizes)
    if count > MOST_EDGES:
        raise PassageError(f"at most {MOST_EDGES} notes not as written", f"{count}")
    start_us = 0

    def one_of(value: int | None, values: int) -> int | None:
        found = coder.among(values if value is None else value, values + 1)
        return None if found == values else found

    for one in _filled_up(given, Misread("missed", 0, None, None, None, None, False), count):
        kind = MISREAD[coder.symbol(MISREAD.index(one.kind), kinds)]
        start_us += steps.step(one.start_us - start_us, coder)
        notes = one_of(one.written, len(NOTES)), one_of(one.note, len(NOTES))
        finger = one_of(one.finger, HOLES)
        bar = coder.number(_bar_number(one.bar), sizes)
        uncertain = bool(coder.among(int(one.uncertain), 2))
        yield Misread(kind, start_us, *notes, finger, bar - 1 if bar else None, uncertain)


def _named(given: tuple[Music, ...], read: tuple[Music, ...], coder: Coder) -> Iterator[Music]:
    """The musics that were read with what each is called, which is told where it is another than the one before."""
    kind, name = MUSIC_KINDS[0], ""
    for music, one in zip(_filled_up(given, Music(), len(read)), read, strict=True):
        if coder.among(int((music.asked.kind, music.asked.name) != (kind, name)), 2):
            kind = MUSIC_KINDS[coder.among(MUSIC_KINDS.index(music.asked.kind), len(MUSIC_KINDS))]
            name = _name(music.asked.name, coder, "a music")
        yield replace(one, asked=replace(one.asked, kind=kind, name=name))


def _places(
    given: tuple[WrittenPlace | None, ...], musics: tuple[Music, ...], coder: Coder
) -> Iterator[WrittenPlace | None]:
    """Where the melody notes are written, each by how it differs from the note after the last that is written."""
    count = coder.number(len(given), SymbolCounts()) if musics else 0
    if count > MOST_EDGES:
        raise PassageError(f"at most {MOST_EDGES} melody notes", f"{count}")
    is_written, steps = SymbolCounts(2), [SymbolCounts() for _ in range(4)]
    last = WrittenPlace(0, 1, -1, None)
    for place in _filled_up(given, None, count):
        if not coder.symbol(int(place is not None), is_written):
            yield None
            continue
        to = place or last
        before = (last.music, last.pass_number, last.number + 1, _bar_number(last.bar))
        numbers = (to.music, to.pass_number, to.number, _bar_number(to.bar))
        music, pass_number, at, bar = (
            known + coder.signed(number - known, sizes)
            for known, number, sizes in zip(before, numbers, steps, strict=True)
        )
        last = WrittenPlace(music, pass_number, at, bar - 1 if bar else None)
        yield last


def _own(given: tuple[Movement, ...], coder: Coder) -> Iterator[Movement]:
    """A teacher's own movements, each with all that it is judged by."""
    sizes, pitches, known = SymbolCounts(), SymbolCounts(len(NOTES) + 1), [_NO_ROLE]
    count = coder.number(len(given), sizes)
    if count > MOST_OWN:
        raise PassageError(f"at most {MOST_OWN} forms of own movements", f"{count}")
    name = ""

    def some_note(note: int | None) -> int | None:
        found = coder.symbol(len(NOTES) if note is None else note, pitches)
        return None if found == len(NOTES) else found

    for movement in _filled_up(given, Movement("", "", (0,), None, "none", OWN, None, (_NO_ROLE,), ()), count):
        if coder.among(int(movement.name != name), 2):
            name = _name(movement.name, coder, "a movement")
        notes, roles = [], []
        length = 1 + coder.among(len(movement.notes) - 1, MOST_NOTES)
        for note, role in _filled_up(zip(movement.notes, movement.roles, strict=True), (0, _NO_ROLE), length):
            notes.append(coder.among(note, len(NOTES)))
            at = coder.among(known.index(role) if role in known else 0, len(known))
            if not at:
                known.append(_role(role, coder, sizes))
            roles.append(known[at or -1])
        yield Movement(
            name, name, tuple(notes), some_note(movement.on), "none", OWN, some_note(movement.after), tuple(roles), ()
        )


def _role(role: Role, coder: Coder, sizes: SymbolCounts) -> Role:
    ends = (*role.skilled, *role.learner)
    short, long, shortest, longest = (coder.number(round(1_000 * ms), sizes) / 1_000 for ms in ends)
    alike = bool(coder.among(int(role.alike), 2))
    return Role(_name(role.name, coder, "a role"), (short, long), (shortest, longest), alike, OWN)


def _bar_number(bar: int | None) -> int:
    return 0 if bar is None else bar + 1


def _timing(timing: Timing, coder: Coder, sizes: SymbolCounts) -> Timing:
    clock = CLOCKS[coder.among(CLOCKS.index(timing.clock), len(CLOCKS))]
    skew = SKEWS[coder.among(SKEWS.index(timing.skew), len(SKEWS))]
    times_us = (timing.uncertainty_us, timing.scan_us, timing.skew_us)
    uncertainty_us, scan_us, skew_us = (coder.number(value_us, sizes) for value_us in times_us)
    return Timing(clock, uncertainty_us, scan_us, skew_us, skew)


def _budget(given: Timing, timing: Timing, coder: Coder) -> Timing:
    """The timing with its budget: none, one of the assumed, or its sizes in thousandths."""
    known = (None, assumed(timing.scan_us), assumed(timing.scan_us, calibrated=True))
    which = coder.among(next((n for n, each in enumerate(known) if each == given.budget), len(known)), len(known) + 1)
    if which == 0:
        return timing
    sizes, raw_bits = SymbolCounts(), coder.among(min(given.raw_bits, MOST_BITS), MOST_BITS + 1)
    budget = known[which] if which < len(known) else None
    if budget is None:
        told = given.budget or assumed(timing.scan_us)
        budget = Budget(
            tuple(
                replace(
                    share,
                    size=0.0 if share.name == LIGHT else coder.number(round(share.size * 1_000), sizes) / 1_000,
                    how="given",
                )
                for share in told.shares
            ),
            STEEP_AT_SEAL,
            SLOWNESS_AT_SEAL,
        )
    return replace(timing, budget=budget, raw_bits=raw_bits)


def _light(given: Timing, timing: Timing, coder: Coder) -> Timing:
    """The timing with the share of light in a budget of its own sizes."""
    if timing.budget is None or timing.budget.how != "given":
        return timing
    [size] = [share.size for share in (given.budget or timing.budget).shares if share.name == LIGHT]
    told = coder.number(round(size * 1_000), SymbolCounts()) / 1_000
    return replace(timing, budget=timing.budget.with_size(LIGHT, told, "given"))


def _slopes(p: Passage, edges: list[tuple[int, int]], coder: Coder) -> Iterator[tuple[int, int, int]]:
    """The slope of each move that has one: 0 where it has none, else one more than its rise."""
    told, sizes, stood = (
        {(t_us, hole): rise for t_us, hole, rise in p.slopes},
        SymbolCounts(),
        edges[0][1] if edges else 0,
    )
    for t_us, mask in edges:
        for hole in fingers_of(mask ^ stood):
            rise = coder.number(told.get((t_us, hole), -1) + 1, sizes) - 1
            if rise >= 0:
                yield t_us, hole, rise
        stood = mask


@lru_cache(maxsize=1)
def _known_tables() -> tuple[Table, ...]:
    """The tables that both sides have; any other goes along, its masks and its name."""
    return standard_table(), standard_table(alternates=True)


def _judges_by(table: Table) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
    return table.name, table.standard, tuple(table.alternates)


def _table(table: Table, coder: Coder) -> Table:
    known = _known_tables()
    same = (number for number, other in enumerate(known) if _judges_by(other) == _judges_by(table))
    which = coder.among(next(same, len(known)), len(known) + 1)
    if which < len(known):
        return known[which]
    count = len(NOTES) + coder.among(len(table.alternates), MOST_ALTERNATES + 1)
    masks = [coder.among(mask, 256) for mask in _filled_up((*table.standard, *table.alternates), 0, count)]
    name = _name(table.name, coder, "a fingering table")
    standard, alternates = masks[: len(NOTES)], masks[len(NOTES) :]
    rows = {
        mask: TableRow(SOUNDING[mask], mask, "alternate", f"alternate {NOTES[SOUNDING[mask]]}", name, None)
        for mask in alternates
    }
    basis = (TableRow(SOUNDING[mask], mask, "standard", NOTES[SOUNDING[mask]], name, None) for mask in standard)
    return Table(name, tuple(standard), rows, (*basis, *rows.values()))


def _name(given: str, coder: Coder, whose: str) -> str:
    letters = given.encode()
    size = coder.among(len(letters), 4 * LONGEST_NAME + 1)
    try:
        return bytes(coder.among(letter, 256) for letter in _filled_up(letters, 0, size)).decode()
    except UnicodeDecodeError:
        raise PassageError(f"the name of {whose}", "bytes that are no text") from None
