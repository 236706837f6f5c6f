"""A note alone: hands off and on again, at once, sealed, held four counts; ten in a row."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.practice.events import Holding, HoldJudged, Judged, Passed, Progressed
from fingerlead.practice.passing import COUNT_US, COUNTS, Holds
from fingerlead.store.practice_log import Progress
from tests.practice.practice_playing import SETTINGS, STANDARD, TOMORROW, Player, a_practice

FOUR_US = COUNTS * COUNT_US
LOW_G = STANDARD[0]


def started(progress: Progress | None = None) -> Player:
    player = Player(a_practice(progress, "low-g"))
    player.wait(300_000)
    return player


def hold(player: Player, for_us: int = FOUR_US + 200_000) -> None:
    player.mask_for(LOW_G, for_us)
    player.mask_for(0, 300_000)


def ends(player: Player) -> list[str]:
    return [judged.end for judged in player.of(HoldJudged)]


def test_ten_holds_pass_and_another_day_five():
    progress = Progress()
    player = started(progress)
    practice = player.practice
    for _ in range(9):
        hold(player)
    assert not player.of(Passed)
    hold(player)
    assert ends(player) == ["held"] * 10
    assert [p.out for p in player.of(Progressed)][:10] == list(range(1, 11))
    assert all(p.back is None for p in player.of(Progressed))
    assert player.of(Passed) == [Passed("low-g", "passed")]
    hold(player)
    assert len(player.of(Passed)) == 1
    assert progress.state("low-g", TOMORROW) == "due"
    player.events += [*practice.new_day(TOMORROW), *practice.beat(120.0)]
    for _ in range(5):
        hold(player, 4 * 500_000 + 200_000)  # four beats of half a second
    assert [p.what for p in player.of(Passed)] == ["passed", "confirmed"]
    assert not player.of(Judged)


def test_how_long_it_is_held_is_told_as_it_grows():
    player = started()
    hold(player, 2_000_000)
    told = player.of(Holding)
    assert {one.needed_us for one in told} == {FOUR_US}
    grows, last = [one.held_us for one in told[:-1]], told[-1].held_us
    assert grows == sorted(grows)
    assert grows[0] <= 100_000
    assert grows[-1] >= 1_800_000
    assert last == 0


@pytest.mark.parametrize("apart_us", [1_000, 8_000, 30_000])
@pytest.mark.parametrize("order", [range(8), range(7, -1, -1), [3, 0, 6, 1, 7, 2, 5, 4]])
def test_hands_taken_off_one_finger_after_the_other_opened_nothing(apart_us, order):
    player = started()
    player.mask_for(LOW_G, FOUR_US - 500_000)
    mask = LOW_G
    for finger in order:
        mask ^= 1 << finger
        player.mask_for(mask, apart_us)
    player.wait(400_000)
    assert ends(player) == ["let go"]


@pytest.mark.parametrize(
    ("spoil", "end", "fingers"),
    [
        (lambda p: p.mask_for(LOW_G, FOUR_US - 500_000), "let go", tuple(range(8))),
        (lambda p: (p.mask_for(LOW_G, 500_000), p.mask_for(LOW_G & ~128, 200_000), p.mask_for(LOW_G)), "opened", (7,)),
    ],
)
def test_what_breaks_the_row(spoil, end, fingers):
    player = started()
    for _ in range(3):
        hold(player)
    spoil(player)
    player.mask_for(0, 300_000)
    assert ends(player) == ["held"] * 3 + [end]
    assert player.of(HoldJudged)[-1].fingers == fingers
    assert player.of(Progressed)[-1].out == 0
    hold(player)
    assert player.of(Progressed)[-1].out == 1


@pytest.mark.parametrize("apart_us", [5_000, 30_000, 250_000, 900_000])
@pytest.mark.parametrize("order", [range(8), [3, 0, 6, 1, 7, 2, 5, 4]])
def test_fingers_may_come_down_as_slowly_as_they_like(apart_us, order):
    player = started()
    mask = 0
    for finger in order:
        mask |= 1 << finger
        player.mask_for(mask, apart_us)
    player.wait(FOUR_US)
    player.mask_for(0, 300_000)
    assert ends(player) == ["held"]


def test_fingers_that_stand_still_with_a_hole_open_are_named_once_and_the_row_stays():
    player = started()
    for _ in range(3):
        hold(player)
    player.mask_for(LOW_G & ~64, 5_000_000)
    player.mask_for(LOW_G & ~32, 5_000_000)
    assert ends(player) == ["held"] * 3 + ["not sealed"]
    assert player.of(HoldJudged)[-1].fingers == (6,)
    assert player.of(Progressed)[-1].out == 3
    player.mask_for(LOW_G, FOUR_US + 200_000)
    assert ends(player)[-1] == "held"
    assert player.of(Progressed)[-1].out == 4


def test_after_an_opening_the_same_hands_cover_again():
    player = started()
    player.mask_for(LOW_G, 500_000)
    player.mask_for(LOW_G & ~128, 200_000)
    player.mask_for(LOW_G, FOUR_US + 200_000)
    player.mask_for(0, 300_000)
    assert ends(player) == ["opened", "held"]


def test_a_short_opening_is_none():
    player = started()
    player.mask_for(LOW_G, 1_000_000)
    player.mask_for(LOW_G & ~128, SETTINGS.bounce_us - 1_000)
    player.mask_for(LOW_G, FOUR_US - 1_000_000)
    player.mask_for(0, 300_000)
    assert ends(player) == ["held"]


def test_a_loss_makes_it_uncertain_and_the_row_stays():
    player = started()
    for _ in range(3):
        hold(player)
    player.mask_for(LOW_G, 500_000)
    player.lose()
    player.wait(FOUR_US)
    player.mask_for(0, 300_000)
    assert ends(player)[-1] == "uncertain"
    assert player.of(Progressed)[-1].out == 3
    hold(player)
    assert player.of(Progressed)[-1].out == 4


def test_without_hands_off_before_it_there_is_no_try():
    player = started()
    player.mask_for(STANDARD[1], 500_000)
    before = len(player.of(HoldJudged))
    player.mask_for(LOW_G, FOUR_US)
    assert ends(player)[before:] == []


@given(st.lists(st.tuples(st.integers(1, 4_000_000), st.sampled_from([0, 255, 127, 191, 63])), max_size=40), st.data())
def test_more_heartbeats_change_no_end(moves, data):
    """Ends of tries are the same however many states without news come between; only told sooner."""

    def told(extra: int) -> list[tuple[str, tuple[int, ...]]]:
        holds, found, now_us, last = Holds(0, 255, SETTINGS), [], 0, 0
        for for_us, mask in [(0, 0), *moves, (1_000_000, 0), (4_000_000, 0)]:
            for part in range(1, extra + 1):
                at_us = now_us + for_us * part // (extra + 1)
                found.append(holds.state(at_us, last))
            now_us += for_us
            found.append(holds.state(now_us, mask))
            last = mask
        return [(judged.end, judged.fingers) for judged in found if judged is not None]

    assert [end for end, _ in told(data.draw(st.integers(1, 9)))] == [end for end, _ in told(0)]
