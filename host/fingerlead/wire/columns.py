"""A whole recording → a Record, at the speed of arrays.

`read_record` gives what `HostLink` gives for the same bytes, whatever the pieces in which they came. Frames are cut in
bulk. Each run of frames in which nothing is odd (no step back, no repeat, no restart told) is taken in at once; the odd
ones go one by one through the link's own `Account`, which has the rules.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from fingerlead.wire.account import GAP_US, HOLES_KIND, KINDS, REMEMBERED, SLOPE_KIND, TROUBLE_KIND, Account
from fingerlead.wire.bulk import Bytes, Column, Cut, Timed, cut
from fingerlead.wire.carriers import Framing
from fingerlead.wire.clock import HALF
from fingerlead.wire.events import Doubt, Record, Slopes
from fingerlead.wire.messages import Hello

# After an odd frame: how many frames go one by one, and how many are then tried at once (doubled while none is odd).
ONE_BY_ONE = 64
FIRST_RUN = 1024

T = TypeVar("T", bound=np.generic)
ArrivalOf = Callable[[int], int | None]


def read_record(
    data: bytes,
    arrivals: NDArray[np.int64] | None = None,
    framing: Framing = "stream",
    gap_us: int = GAP_US,
) -> Record:
    """Read all frames of a recording.

    `arrivals` is k × 2: the offset of the first byte of each read, rising, and the host µs at which it arrived; they
    count for restarts alone. Bytes of any kind are read: damage is counted, and no frame at all is an empty Record.
    """
    pieces = cut(data, framing)
    account = Account(gap_us)
    account.intake = pieces.intake
    kept = _settle(pieces, account, _arrival_lookup(arrivals))
    return Record(
        _joined(kept.times, np.int64),
        _joined(kept.masks, np.uint8),
        account.clock.front_us,
        account.doubts,
        account.intake,
        "chanter",
        account.scan_us,
        account.hello,
        _slopes(pieces.timed, kept),
    )


@dataclass(slots=True)
class _Kept:
    """What the frames come to, in pieces: of holes their times and masks, of slopes their times and places."""

    times: list[Column] = field(default_factory=list)
    masks: list[Bytes] = field(default_factory=list)
    slope_times: list[Column] = field(default_factory=list)
    slope_places: list[Column] = field(default_factory=list)


def _joined(pieces: list[NDArray[T]], type_: type[T]) -> NDArray[T]:
    return np.concatenate(pieces) if pieces else np.empty(0, type_)


def _slopes(timed: Timed, kept: _Kept) -> Slopes:
    places = _joined(kept.slope_places, np.int64)
    both = timed.slope[places]
    rise, level = (both & 0xFFFF).astype(np.uint16), (both >> 16).astype(np.uint16)
    return Slopes(_joined(kept.slope_times, np.int64), timed.mask[places], rise, level)


def _arrival_lookup(arrivals: NDArray[np.int64] | None) -> ArrivalOf:
    if arrivals is None or not len(arrivals):
        return lambda end: None
    offsets, times = arrivals[:, 0], arrivals[:, 1]

    def arrival_of(end: int) -> int | None:
        read = int(np.searchsorted(offsets, end, "right")) - 1
        return int(times[read]) if read >= 0 else None

    return arrival_of


def _settle(pieces: Cut, account: Account, arrival_of: ArrivalOf) -> _Kept:
    timed, hellos = pieces.timed, pieces.hellos
    total = len(timed.end)
    kept = _Kept()
    place, greeted, one_by_one, run = 0, 0, 1, total
    while place < total:
        stop = min(place + one_by_one, total)
        greeted = _take_singly(timed, place, stop, hellos, greeted, account, arrival_of, kept)
        place = stop
        stop = min(place + run, total)
        if place == stop:
            break
        t_us, good = _times_while_regular(timed, place, stop, account)
        good, greeted = _greet_until_news(timed, place, good, hellos, greeted, account)
        if good:
            _take_run(timed, place, t_us[:good], account, kept)
            place += good
            account.last_arrival_us = arrival_of(int(timed.end[place - 1]))
        if place == stop:
            one_by_one, run = 0, run * 2
        elif good < ONE_BY_ONE:
            one_by_one, run = min(max(one_by_one, ONE_BY_ONE) * 2, FIRST_RUN), FIRST_RUN
        else:
            one_by_one, run = ONE_BY_ONE, FIRST_RUN
    for _, hello in hellos[greeted:]:
        account.greet(hello)
    return kept


def _take_singly(
    timed: Timed,
    place: int,
    stop: int,
    hellos: list[tuple[int, Hello]],
    greeted: int,
    account: Account,
    arrival_of: ArrivalOf,
    kept: _Kept,
) -> int:
    """Frames one by one through the account; gives the number of hellos greeted so far."""
    holes: list[tuple[int, int]] = []
    slopes: list[tuple[int, int]] = []
    for i in range(place, stop):
        end = int(timed.end[i])
        while greeted < len(hellos) and hellos[greeted][0] < end:
            account.greet(hellos[greeted][1])
            greeted += 1
        kind = int(timed.kind[i])
        t_us = account.timed(kind, int(timed.tag[i]), int(timed.ticks32[i]), arrival_of(end))
        if kind == HOLES_KIND and t_us is not None:
            holes.append((t_us, int(timed.mask[i])))
        elif kind == SLOPE_KIND and t_us is not None:
            slopes.append((t_us, i))
    if holes:
        columns = np.array(holes, np.int64)
        kept.times.append(columns[:, 0])
        kept.masks.append(columns[:, 1].astype(np.uint8))
    if slopes:
        columns = np.array(slopes, np.int64)
        kept.slope_times.append(columns[:, 0])
        kept.slope_places.append(columns[:, 1])
    return greeted


def _of_kind(timed: Timed, kind: int, place: int, stop: int) -> Column:
    return np.flatnonzero(timed.kind[place:stop] == kind)


def _times_while_regular(timed: Timed, place: int, stop: int, account: Account) -> tuple[Column, int]:
    """Times of frames from `place` on, and how many of them are regular: for each, no frame up to it is odd."""
    clock = account.clock
    ticks32 = timed.ticks32[place:stop]
    # A step of 2³¹ or more is one back: the low 32 bits of a difference, read as a signed number.
    steps = np.diff(ticks32, prepend=np.uint32(clock.front_ticks)).view(np.int32)
    t_us = clock.front_us + np.cumsum(steps, dtype=np.int64)
    # Step by step agrees with the account's way, from the front, while no frame is half a wrap behind the front.
    odd = np.maximum.accumulate(np.maximum(t_us, clock.front_us)) - t_us > HALF
    for kind in range(KINDS):
        own = _of_kind(timed, kind, place, stop)
        if not len(own):
            continue
        last = account.last_key[kind]
        own_us, tags, own_ticks = t_us[own], timed.tag[place:stop][own], ticks32[own]
        repeat = np.zeros(len(own), bool)
        repeat[1:] = (tags[1:] == tags[:-1]) & (own_ticks[1:] == own_ticks[:-1])
        back = np.zeros(len(own), bool)
        back[1:] = own_us[1:] < own_us[:-1]
        repeat[0] = last == (int(tags[0]), int(own_ticks[0]))
        back[0] = own_us[0] < account.least_us(kind)
        odd[own] |= repeat | back
    return t_us, int(np.argmax(odd)) if odd.any() else len(odd)


def _greet_until_news(
    timed: Timed, place: int, good: int, hellos: list[tuple[int, Hello]], greeted: int, account: Account
) -> tuple[int, int]:
    """Greet the hellos among `good` frames; where one is of another start, only the frames before it stay good."""
    if account.restart_told:
        return 0, greeted
    while good and greeted < len(hellos) and hellos[greeted][0] < timed.end[place + good - 1]:
        end, hello = hellos[greeted]
        if account.is_news(hello):
            return int(np.searchsorted(timed.end[place : place + good], end)), greeted
        account.greet(hello)
        greeted += 1
    return good, greeted


def _take_run(timed: Timed, place: int, t_us: Column, account: Account, kept: _Kept) -> None:
    """Take in a run of regular frames at once, as `Account.timed` would one by one."""
    stop = place + len(t_us)
    clock = account.clock
    front_us = np.maximum.accumulate(np.concatenate(([clock.front_us], t_us)))
    gaps = np.flatnonzero(t_us - front_us[:-1] >= account.gap_us).tolist()
    # (frame, order at one frame, doubt)
    doubts = [(i, 1, Doubt(int(front_us[i]), int(t_us[i]), "gap")) for i in gaps]
    for kind in range(KINDS):
        own = _of_kind(timed, kind, place, stop)
        if not len(own):
            continue
        own_us, tags = t_us[own], timed.tag[place:stop][own]
        last = account.last_key[kind]
        if kind != TROUBLE_KIND:
            before = np.concatenate((np.array([last[0] if last else int(tags[0]) - 1]), tags[:-1]))
            lost = (tags - before - 1) & 0xFFFF
            account.intake.lost_frames += int(lost.sum())
            if kind == HOLES_KIND:
                kept.times.append(own_us)
                kept.masks.append(timed.mask[place:stop][own])
                for i in np.flatnonzero(lost).tolist():
                    start_us = int(own_us[i - 1]) if i else account.last_us[kind]
                    doubts.append((int(own[i]), 0, Doubt(start_us, int(own_us[i]), "lost", int(lost[i]))))
        if kind == TROUBLE_KIND:
            for i, tag in zip(own.tolist(), tags.tolist(), strict=True):
                doubts += ((i, 2, doubt) for doubt in account.trouble(kind, tag, int(t_us[i])))
        if kind == SLOPE_KIND:
            kept.slope_times.append(own_us)
            kept.slope_places.append(own + place)
        tail = own[-REMEMBERED:]
        keys = list(zip(timed.tag[place:stop][tail].tolist(), timed.ticks32[place:stop][tail].tolist(), strict=True))
        if account.first_key[kind] is None:
            account.first_key[kind] = (int(tags[0]), int(timed.ticks32[place + own[0]]))
        account.last_key[kind] = keys[-1]
        account.last_us[kind] = int(own_us[-1])
        account.recent[kind].extend(keys)
    account.doubts.extend(doubt for _, _, doubt in sorted(doubts, key=lambda entry: entry[:2]))
    new_front_us = int(front_us[-1])
    clock.start((clock.front_ticks + new_front_us - clock.front_us) & 0xFFFFFFFF, new_front_us)
