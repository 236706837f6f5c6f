"""The tables of transitions against what the program does: every row is taken, and nothing else can be."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import HANDS_OFF
from fingerlead.listening.reader import Back, Ended, Lost
from fingerlead.ports.base import PortRefused
from fingerlead.practice import events, inbox, practice, source
from fingerlead.practice.state import CHANTER, MUSIC, TransitionError, step
from fingerlead.practice.tonight import LENGTH_US, REST_EVERY_US, TURN_US
from fingerlead.timing.results import Timing
from fingerlead.wire.events import State
from tests.practice.practice_playing import STANDARD, TODAY, TOMORROW, a_practice
from tests.practice.session_tools import SessionByHand, played

DATA, _ = played(changes=2)
TABLES = (CHANTER, MUSIC)
CHANTER_CAUSES = ("listen", "state", "lost", "back", "end", "refuse")
MUSIC_CAUSES = ("rung", "tune", "turn", "rest", "time up")
TIMING = Timing("chanter", 1_000, 1_000, 1_000, "given")


def rows(table) -> set[tuple[str, str]]:
    return {(state, cause) for state, leads in table.items() for cause in leads}


@pytest.fixture
def taken(monkeypatch) -> set[tuple[str, str]]:
    """The transitions that the program takes."""
    seen = set()

    def noting(table, state, cause):
        after = step(table, state, cause)
        seen.add((state, cause))
        return after

    for module in (practice, source):
        monkeypatch.setattr(module, "step", noting)
    return seen


@pytest.mark.parametrize("table", TABLES)
def test_every_state_can_be_reached_and_left(table):
    reached, more = set(), {next(iter(table))}
    while more:
        reached |= more
        more = {after for state in more for after in table[state].values()} - reached
    assert reached == set(table)
    assert all(set(leads.values()) - {state} for state, leads in table.items())


@pytest.mark.parametrize(("table", "causes"), [(CHANTER, CHANTER_CAUSES), (MUSIC, MUSIC_CAUSES)])
def test_a_transition_that_is_not_in_the_table_is_a_fault(table, causes):
    missing = {(state, cause) for state in table for cause in causes} - rows(table)
    assert missing
    for state, cause in missing:
        with pytest.raises(TransitionError, match=f"got '{cause}' in state '{state}'") as raised:
            step(table, state, cause)
        assert (raised.value.state, raised.value.cause) == (state, cause)


# --- where the chanter is ---

WAY = {"none": (), "waiting": ("listen",), "here": ("listen", "state"), "away": ("listen", "lost")}
WAY["refused"] = ("listen", "refuse")


def cause_at(by_hand: SessionByHand, cause: str) -> None:
    match cause:
        case "listen":
            by_hand.actor.carry_out(inbox.Listen("quiet"))
        case "state":
            by_hand.play(DATA[:400])
        case "lost":
            by_hand.actor.take_in(Lost("pulled out", by_hand.now_us))
        case "back":
            by_hand.actor.take_in(Back(by_hand.now_us))
        case "end":
            by_hand.actor.carry_out(inbox.Finish())
        case "refuse":
            by_hand.actor.take_in(Ended(PortRefused("quiet", "another program has it", "close that one")))


@pytest.mark.parametrize("cause", CHANTER_CAUSES)
@pytest.mark.parametrize("place", CHANTER)
def test_the_chanter_is_where_the_table_says(place, cause, taken):
    by_hand = SessionByHand()
    for before in WAY[place]:
        cause_at(by_hand, before)
    assert by_hand.of(events.ChanterNow)[-1].place == place
    taken.clear()
    if cause in CHANTER[place]:
        cause_at(by_hand, cause)
        assert (place, cause) in taken
        assert by_hand.of(events.ChanterNow)[-1].place == CHANTER[place][cause]
    elif place in ("none", "refused"):
        cause_at(by_hand, cause)  # nothing is listened to, so nothing comes of it
        assert not taken
    else:
        with pytest.raises(TransitionError):
            cause_at(by_hand, cause)
    by_hand.actor.close()


# --- what is practised ---


class Learner:
    """Asks, and lets time go by; holds one note all the while."""

    def __init__(self) -> None:
        self.practice, self.now_us = a_practice(key="low-g-b"), 0
        self.until(0)

    def until(self, t_us: int) -> None:
        self.now_us = t_us
        self.practice.hear(State(t_us, STANDARD[0], None), TIMING)

    def reach(self, doing: str) -> None:
        match doing:
            case "rung" | "tune":
                self.practice.start("low-g-b" if doing == "rung" else "heron")
            case "turn":
                self.practice.tonight()
            case "rest":
                self.practice.tonight()
                while self.practice.doing != "rest":
                    assert self.now_us < 2 * REST_EVERY_US
                    self.until(self.now_us + TURN_US)
        assert self.practice.doing == doing


def test_every_row_of_the_music_is_taken_and_leads_where_the_table_says(taken):
    for doing in MUSIC:
        for cause in ("rung", "tune", "turn"):
            learner = Learner()
            learner.reach(doing)
            learner.reach(cause)
    for doing in ("turn", "rest"):
        learner = Learner()
        learner.reach(doing)
        learner.until(learner.now_us + LENGTH_US)
        assert learner.practice.doing == MUSIC[doing]["time up"]
        assert learner.practice.snapshot().key == "low-g-b"
    assert taken == rows(MUSIC)


asked = st.one_of(
    st.sampled_from(["low-g", "low-g-b", "heron", "no rung"]).map(lambda key: ("start", key)),
    st.sampled_from(["tonight", "restart", "close"]).map(lambda what: (what,)),
    st.sampled_from([None, 60.0]).map(lambda bpm: ("beat", bpm)),
    st.sampled_from([TODAY, TOMORROW]).map(lambda day: ("new_day", day)),
    st.tuples(st.sampled_from([1_000, 100_000, TURN_US, LENGTH_US]), st.sampled_from([HANDS_OFF, *STANDARD])),
)


@given(st.lists(asked, max_size=40))
@settings(deadline=None)
def test_nothing_that_can_be_done_is_missing_from_the_table(steps):
    learner, now_us = a_practice(order="derived"), 0
    for what, *arguments in steps:
        if isinstance(what, int):
            now_us += what
            learner.hear(State(now_us, *arguments, None), TIMING)
        elif arguments == ["no rung"]:
            with pytest.raises(ValueError, match="no rung"):
                learner.start("no rung")
        else:
            getattr(learner, what)(*arguments)
        shown = learner.snapshot()
        assert (shown.turn is not None) == (learner.doing in ("turn", "rest"))
        assert shown.is_tune == (learner.doing == "tune")
        assert shown.number is None or learner.doing == "rung"
