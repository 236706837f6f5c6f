"""A chanter upside down: told by who holds it so, never to a beginner who holds it well."""

from __future__ import annotations

import pytest

from fingerlead.ports.base import Chunk
from fingerlead.practice import events, inbox
from fingerlead.practice.upright import Upright
from fingerlead.wire import messages as wire
from fingerlead.wire.link import ChanterLink
from tests.first_week.beginner import Beginner
from tests.first_week.week import Learning
from tests.practice.practice_playing import STANDARD, TABLE, Player
from tests.practice.session_tools import SessionByHand

BEAT_US = 100_000
# Which hole lies under each finger with the other end up, as the maker of these tests found by turning a chanter round:
# the upper hand's index has the lowest, the lower hand's little finger the topmost in front; the thumb has none.
HOLE_UNDER = {1: 7, 2: 6, 3: 5, 4: 4, 5: 3, 6: 2, 7: 1}


def turned(covered_mask):
    return sum(1 << hole for finger, hole in HOLE_UNDER.items() if covered_mask >> finger & 1)


def seen_by(upright, moves, asked, at_us=0):
    """The states of some moves, with heartbeats; when it seemed turned first, or None, and when they end."""
    first_us = None
    for mask, us in moves:
        for t_us in range(at_us, at_us + us, BEAT_US):
            upright.state(t_us, mask, asked)
            if upright.seems_turned and first_us is None:
                first_us = t_us
        at_us += us
    return first_us, at_us


@pytest.mark.parametrize("seed", range(8))
def test_who_holds_it_upside_down_is_told_before_the_third_try_at_low_g(seed):
    beginner, upright, at_us = Beginner(seed), Upright(TABLE), 0
    for _ in range(2):
        assert not upright.seems_turned
        moves = [*beginner.take_up(), *beginner.hold(0, 3_000_000), *beginner.put_down(), (0, 1_500_000)]
        first_us, at_us = seen_by(upright, [(turned(mask), us) for mask, us in moves], 0, at_us)
    assert first_us < 20_000_000
    # Turned round, the first low G ends it.
    seen_by(upright, [*beginner.take_up(), (STANDARD[0], 1_000_000)], 0, at_us)
    assert not upright.seems_turned


@pytest.mark.parametrize("note", range(1, 8))
def test_at_a_change_two_notes_as_in_a_mirror_say_it(note):
    beginner, upright = Beginner(note), Upright(TABLE)
    beginner.take_up()
    at_us = 0
    for _ in range(2):
        assert not upright.seems_turned
        for asked in (0, note):
            moves = [(turned(mask), us) for mask, us in beginner.play(asked)]
            _, at_us = seen_by(upright, [*moves, (turned(STANDARD[asked]), 600_000)], asked, at_us)
    assert upright.seems_turned


@pytest.mark.parametrize("seed", [1, 2])
def test_no_beginner_of_a_week_is_told(seed, monkeypatch):
    upright, told, state = Upright(TABLE), [], Player._state

    def look(player, mask):
        upright.state(player.now_us, mask, player.practice.lit_note)
        told.append(upright.seems_turned)
        state(player, mask)

    monkeypatch.setattr(Player, "_state", look)
    learning = Learning(Beginner(seed), goes_on=True)
    for _ in range(2):
        learning.evening(240_000_000)
        upright.state(0, 0, None)
    assert len(told) > 4_000
    assert not any(told)


def test_of_a_chanter_the_page_is_told_and_told_when_it_is_over():
    by_hand = SessionByHand(rung="low-g")
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    link, t_us, sequence = ChanterLink(), 0, 0
    for mask, beats in ((0, 5), (0xFE, 30), (0, 5), (0xFE, 30), (0xFF, 4)):
        for _ in range(beats):
            by_hand.now_us += BEAT_US
            by_hand.actor.take_in(Chunk(link.send(wire.Holes(sequence, t_us, mask)), by_hand.now_us))
            t_us, sequence = t_us + BEAT_US, sequence + 1
    assert [event.seems_turned for event in by_hand.of(events.UprightNow)] == [False, True, False]
    by_hand.actor.carry_out(inbox.Listen("page"))
    assert by_hand.actor._source.upright is None
