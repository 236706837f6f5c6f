"""A published analysis held against what the fingers truly did, judged by plain loops (tests/timing/plain_judge.py).

A finger's time may be out by the stated timing uncertainty, and no more. What hangs on a length that lies nearer to its
limit than that may be judged either way: the truth is judged with each limit moved so far up and down, and with the
fingers moved so far against one another, as sensors of their own may see them; where all agree, the analysis must too.
A lead that is named must be true; where the first finger was twice the uncertainty ahead of the next, it must be named.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from operator import attrgetter
from typing import Any

from fingering.holes import FINGERS, from_text
from fingering.notes import NOTES
from fingerlead.simulated.performance import Performance
from fingerlead.timing.results import Settings
from tests.simulated.known import masks_of
from tests.timing.plain_judge import judge

LIMITS = ("heard_us", "steady_us", "stage_us")
# In so many ways the fingers are moved.
WAYS_SEEN = 12
Judged = dict[str, Any]


class Disagrees(AssertionError):
    """Where analysis and truth part; str() is one sentence."""


@dataclass(slots=True)
class Agreement:
    """How much was compared, all of it in agreement."""

    notes: int = 0
    changes: int = 0
    times: int = 0
    worst_us: int = 0  # the most that a time was out
    leads: int = 0  # named
    too_close: int = 0  # named none
    strays: int = 0
    either: int = 0  # changes of which the truth allows two verdicts


def compare(found: dict[str, Any], performance: Performance, first_us: int) -> Agreement:
    """The published analysis of a performance, whose clock shows `first_us` at its time 0. Raises Disagrees."""
    may_be_out_us = found["timing"]["uncertainty_us"]
    ways = _judged(performance, first_us, may_be_out_us)
    held, changes = ways[0]
    agreement = Agreement()
    if any(found["intake"][kind] for kind in ("lost_frames", "bad_frames", "restarts")):
        raise Disagrees(f"expected every frame to arrive whole; got {found['intake']}")
    _same("melody notes", len(held), len(found["notes"]))
    _same("changes", len(changes), len(found["changes"]))
    for number, (true, note) in enumerate(zip(held, found["notes"], strict=True), 1):
        _same(f"note {number}", (NOTES[true[0]], true[1]), (note["note"], from_text(note["holes"])))
        # The first note was held before anything was seen.
        if number > 1:
            _near(f"the start of note {number}", true[2], note["start_us"], may_be_out_us, agreement)
        agreement.notes += 1
    for number, change in enumerate(found["changes"]):
        _compare_change(number, [way[1][number] for way in ways], change, may_be_out_us, agreement)
    return agreement


def counts(
    found: dict[str, Any], performance: Performance, first_us: int
) -> dict[tuple[str, str], tuple[int, int, int]]:
    """Of each kind of change: how many there truly were, and the fewest and the most that may be said to go astray."""
    ways = [changes for _, changes in _judged(performance, first_us, found["timing"]["uncertainty_us"])]
    out: dict[tuple[str, str], tuple[int, int, int]] = {}
    for number, true in enumerate(ways[0]):
        astray = [changes[number]["verdict"] == "stray" for changes in ways]
        pair = (NOTES[true["from_note"]], NOTES[true["to_note"]])
        many, least, most = out.get(pair, (0, 0, 0))
        out[pair] = (many + 1, least + min(astray), most + max(astray))
    return out


@cache
def _judged(performance: Performance, first_us: int, may_be_out_us: int) -> list[tuple[list[Any], list[Judged]]]:
    """Melody notes and changes of the truth: as they are first, then with the limits moved, then with the fingers."""
    usual, ways = Settings(), []
    for moves in product((0, -may_be_out_us, may_be_out_us), repeat=len(LIMITS)):
        limits = {name: getattr(usual, name) + move for name, move in zip(LIMITS, moves, strict=True)}
        ways.append(_judge(performance, first_us, may_be_out_us, replace(usual, **limits)))
    for number in range(WAYS_SEEN):
        seen = _as_seen(performance, may_be_out_us // 2, random.Random(f"seen {number}"))
        ways.append(_judge(seen, first_us, may_be_out_us, usual))
    if any([note[:2] for note in held] != [note[:2] for note in ways[0][0]] for held, _ in ways):
        raise Disagrees("expected playing of which the truth says for sure which are melody notes; use another seed")
    return ways


def _judge(
    performance: Performance, first_us: int, may_be_out_us: int, settings: Settings
) -> tuple[list[Any], list[Judged]]:
    states = [(max(t_us - first_us, 0), mask) for t_us, mask in masks_of(performance)]
    held, changes, *_ = judge(states, performance.end_us - first_us, [], settings, may_be_out_us)
    # A stray is heard by the limit of its way of judging.
    for change in changes:
        change["heard"] = tuple(NOTES[note] for note, _, _, us in change["strays"] if us >= settings.heard_us)
    return held, changes


def _as_seen(performance: Performance, out_us: int, chance: random.Random) -> Performance:
    """A performance as sensors may see it: each finger's lifts, and its closings, early or late by so much."""
    out = {(finger, motion): chance.choice((-out_us, out_us)) for finger in range(8) for motion in ("lift", "lower")}
    edges = [replace(edge, t_us=max(edge.t_us + out[edge.finger, edge.motion], 0)) for edge in performance.edges]
    return replace(performance, edges=tuple(sorted(edges, key=attrgetter("t_us"))))


def _compare_change(
    number: int, ways: list[Judged], change: dict[str, Any], may_be_out_us: int, agreement: Agreement
) -> None:
    true, what = ways[0], f"change {number + 1} ({change['from']} to {change['to']})"
    _same(what, (NOTES[true["from_note"]], NOTES[true["to_note"]]), (change["from"], change["to"]))
    moved = {FINGERS[finger]: true["start"] + after_us for finger, after_us in true["fingers"]}
    _same(f"{what}, its fingers", sorted(moved), sorted(finger["finger"] for finger in change["fingers"]))
    for finger in change["fingers"]:
        seen_us = change["start_us"] + finger["after_start_us"]
        _near(f"{what}, the {finger['finger']}", moved[finger["finger"]], seen_us, may_be_out_us, agreement)
    _compare_lead(what, true, change, may_be_out_us, agreement)
    allowed = {(way["verdict"], way["heard"]) for way in ways}
    heard = tuple(stray["note"] for stray in change["strays"] if stray["heard"])
    if (change["verdict"], heard) not in allowed:
        raise Disagrees(f"{what}: expected one of {sorted(allowed)}; got {(change['verdict'], heard)}")
    agreement.either += len(allowed) > 1
    agreement.changes += 1
    if len(allowed) == 1:
        limit_us = Settings().heard_us
        strays = [stray for stray in true["strays"] if stray[3] >= limit_us]
        told = [stray for stray in change["strays"] if stray["heard"]]
        for (note, _, start_us, lasted_us), stray in zip(strays, told, strict=True):
            words = f"{what}, the stray {NOTES[note]}"
            _near(f"{words}, its start", start_us, stray["start_us"], may_be_out_us, agreement)
            _near(f"{words}, its length", lasted_us, stray["duration_us"], may_be_out_us, agreement)
            agreement.strays += 1


def _compare_lead(what: str, true: Judged, change: dict[str, Any], may_be_out_us: int, agreement: Agreement) -> None:
    (first, _), *later = true["fingers"]
    ahead_us = later[0][1] if later else 2 * may_be_out_us
    if change["lead"] is None:
        agreement.too_close += 1
        if true["lead"] is not None and ahead_us >= 2 * may_be_out_us:
            raise Disagrees(f"{what}: expected the {FINGERS[first]} to lead, {ahead_us} µs ahead; got none")
        return
    if change["lead"] != FINGERS[first] and ahead_us > 0:
        raise Disagrees(f"{what}: expected the {FINGERS[first]} to lead, {ahead_us} µs ahead; got {change['lead']}")
    agreement.leads += 1


def _same(what: str, true: object, got: object) -> None:
    if true != got:
        raise Disagrees(f"{what}: expected {true}; got {got}")


def _near(what: str, true_us: int, got_us: int, may_be_out_us: int, agreement: Agreement) -> None:
    out_us = abs(true_us - got_us)
    if out_us > may_be_out_us:
        raise Disagrees(f"{what}: expected {true_us} µs within {may_be_out_us}; got {got_us}, {out_us} off")
    agreement.times += 1
    agreement.worst_us = max(agreement.worst_us, out_us)
