"""What happens, as the page's messages: in the shape that the page reads, in words that say no more than is known."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.notes import NOTES
from fingerlead.faces.pages.kit.hub import Hub
from fingerlead.faces.pages.practice.messages import (
    Publisher,
    change_of,
    chanter_sentence,
    hold_sentence,
    progress_of,
    tonight_of,
)
from fingerlead.ports.base import Found
from fingerlead.practice import events, inbox
from fingerlead.simulated.pupil import Habit, SimulatedPupil
from tests.pages.page_tools import TABLE, SessionByHand, played
from tests.practice.practice_playing import a_practice

BOTTOM_LITTLE = 7
EARLY = SimulatedPupil(tune=(0, 2), habits=(Habit(BOTTOM_LITTLE, -28_000),), scatter_us=(500,) * 8)


class Page:
    """All that a page would be told."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []
        self.hub = Hub()
        publish = self.hub.publish

        def note(message: Any) -> None:
            self.messages.append(dict(message))
            publish(message)

        self.hub.publish = note  # type: ignore[method-assign]
        self.staffs: dict[str, str] = {}
        self.publisher = Publisher(self.hub, TABLE, lambda name, tune: self.staffs.get(name))

    def last(self, kind: str) -> dict[str, Any]:
        return [message for message in self.messages if message["kind"] == kind][-1]

    def all(self) -> dict[str, Any]:
        subscriber = self.hub.join(lambda: None)
        everything: dict[str, Any] = json.loads(subscriber.take()[0])
        self.hub.leave(subscriber)
        return everything


def session_told(page: Page, pupil: SimulatedPupil = EARLY, rung: str = "low-g-b", changes: int = 8) -> SessionByHand:
    session = SessionByHand(rung=rung)
    for what in session.told:
        page.publisher(what)
    session.actor._tell = lambda what: (session.told.append(what), page.publisher(what))[0]
    session.actor.carry_out(inbox.Listen("quiet"))
    session.play(played(1, changes, pupil)[0])
    return session


def test_a_fault_is_told_with_its_finger_what_to_try_and_its_strip():
    page = Page()
    session_told(page)
    astray = [message for message in page.messages if message["kind"] == "change" and message["verdict"] == "stray"]
    assert astray
    assert all("Together, the bottom ring a hair ahead." in message["sentence"] for message in astray)
    assert all(message["mendable"] for message in astray)
    assert all(message["strip_svg"].count('class="ahead"') for message in astray)
    assert all(message["strip_svg"].startswith("<svg") for message in astray)
    assert all(message["strip_words"].startswith("This strip: 100 ms wide") for message in astray)


@pytest.mark.parametrize(("key", "told"), [("low-g-b", "Fingers within 25 ms of each other."), ("low-g", "")])
def test_the_page_is_told_how_close_together_the_fingers_are_to_move(key, told):
    page = Page()
    page.publisher(events.MusicNow(a_practice(key=key).snapshot(), True))
    assert page.all()["rung"]["together"] == told


def judged(diagnosed: bool) -> events.Judged:
    page = Page()
    session = session_told(page)
    found = next(one for one in session.of(events.Judged) if one.diagnosis is not None)
    return found if diagnosed else replace(found, diagnosis=None)


def test_advice_is_given_only_where_it_is_sure():
    assert "Together, the bottom ring a hair ahead." in change_of(judged(True), TABLE)["sentence"]
    unsure = change_of(judged(False), TABLE)
    assert "together" not in unsure["sentence"]
    assert unsure["sentence"].endswith("Which finger to mend cannot be told from this.")
    assert "a hair" not in unsure["strip_svg"]
    assert not unsure["mendable"]


def test_a_clean_change_is_not_doubted():
    page = Page()
    session_told(page, SimulatedPupil(tune=(0, 2), scatter_us=(300,) * 8))
    clean = [message for message in page.messages if message["kind"] == "change" and message["verdict"] == "clean"]
    assert clean
    assert all("cannot be told" not in message["sentence"] for message in clean)


def test_everything_that_a_page_joins_with_is_there_and_is_json():
    page = Page()
    session_told(page)
    everything = page.all()
    for part in ("chanter", "rung", "lit", "progress", "holes", "sound", "metronome"):
        assert everything[part]["kind"] == part
    assert everything["rung"]["key"] == "low-g-b"
    assert len(everything["changes"]) == 8
    assert everything["notes"] == list(NOTES)
    ids = [note["id"] for note in everything["rung"]["notes"]]
    assert everything["lit"]["id"] in ids
    assert [note["letter"] for note in everything["rung"]["notes"]][:2] == ["G", "B"]


def test_a_staff_that_is_ready_later_is_told_then_and_one_that_cannot_be_is_said_once():
    page = Page()
    session = session_told(page)
    assert page.all()["rung"]["staff_svg"] is None
    name = session.of(events.MusicNow)[-1].snapshot.name
    page.staffs[name] = "<svg>music</svg>"
    page.publisher(events.StaffNow(name))
    assert page.all()["rung"]["staff_svg"] == "<svg>music</svg>"
    for _ in range(2):
        page.publisher(events.StaffNow("another", "there is no LilyPond."))
    said = [message["sentence"] for message in page.messages if message["kind"] == "say"]
    assert said == ["The staff is left out: there is no LilyPond. The letters stand in for it."]


def test_changes_of_another_player_are_forgotten():
    page = Page()
    session = session_told(page)
    assert page.all()["changes"]
    session.actor.carry_out(inbox.Listen("page"))
    assert page.all()["changes"] == []
    session.actor.close()


def test_all_chanters_found_are_listed():
    page = Page()
    found = (Found("/dev/a", "one"), Found("midi:b", "two"))
    page.publisher(events.ChanterNow("none", None, "", "", None, False, found))
    assert page.all()["chanter"]["found"] == [
        {"spec": "/dev/a", "description": "one"},
        {"spec": "midi:b", "description": "two"},
    ]


@pytest.mark.parametrize("place", ["none", "waiting", "here", "away", "refused"])
@pytest.mark.parametrize("origin", ["port", "simulated", "page"])
@given(name=st.text(max_size=12), cause=st.text(max_size=30))
@settings(max_examples=10)
def test_each_state_of_a_chanter_is_a_sentence(place, origin, name, cause):
    chanter = events.ChanterNow(place, origin, name, cause, None, False, ())
    assert chanter_sentence(chanter).endswith((".", ":"))


progressed = st.builds(
    events.Progressed,
    out=st.integers(0, 12),
    back=st.none() | st.integers(0, 12),
    needed=st.sampled_from([0, 10]),
    again=st.booleans(),
    passed=st.booleans(),
    unclean=st.booleans(),
    first=st.just(()) | st.just(("low A and B", "B and C")),
    next=st.none() | st.just(events.NextRung("low-a-b", "low A and B", 3)),
)


@given(progressed)
def test_progress_shows_no_more_than_is_needed_and_nothing_where_nothing_counts(event):
    message = progress_of(replace(_snapshot(), progressed=event))
    json.dumps(message)
    if not event.needed:
        assert message["out"] is message["back"] is None
    else:
        assert 0 <= message["out"]["in_a_row"] <= message["out"]["needed"] == 10
        assert message["out"]["name"] == ("low G and B" if event.back is None else "low G to B")
        assert (message["back"] is None) == (event.back is None)
    if event.needed and event.passed and event.next is not None:
        assert message["next"]["name"] == "low A and B"
        assert "hold low A" in message["sentence"]


def _snapshot() -> events.Snapshot:
    if not _KEPT:
        _KEPT.append(SessionByHand().of(events.MusicNow)[-1].snapshot)
    return _KEPT[0]


_KEPT: list[events.Snapshot] = []


def test_what_is_said_of_a_try_stays_while_it_is_counted_and_goes_with_the_music():
    page = Page()
    page.publisher(events.MusicNow(SessionByHand(rung="low-g").of(events.MusicNow)[-1].snapshot))
    page.publisher(events.HoldJudged(0, "loosened", (3,), 3_000_000))
    page.publisher(events.Progressed(0, None, 10, False, False, False))
    assert "the top ring came off a little" in page.all()["told"]["sentence"]
    assert page.all()["told"]["fingers"] == [3]
    page.publisher(events.MusicNow(_snapshot()))
    assert page.all()["told"]["what"] == page.all()["told"]["sentence"] == ""


def test_hands_taken_off_early_blame_no_finger():
    page = Page()
    page.publisher(events.HoldJudged(0, "let go", tuple(range(8)), 2_000_000))
    assert "let go a little early" in page.all()["told"]["sentence"]
    assert page.all()["told"]["fingers"] == []


@pytest.mark.parametrize("end", ["held", "not sealed", "opened", "loosened", "let go", "uncertain"])
def test_each_try_at_a_note_alone_has_its_sentence(end):
    fingers = (6, 7) if end in ("not sealed", "opened", "loosened") else ()
    hold = events.HoldJudged(0, end, fingers, 3_000_000)
    told_ = hold_sentence(hold)
    assert told_.endswith(".")
    assert ("the bottom ring and the bottom little" in told_) == bool(hold.fingers)


@given(st.integers(0, 600_000_000), st.booleans(), st.booleans(), st.integers(0, 9))
def test_a_turn_of_tonight_is_told_in_whole_minutes(left_us, too_little, rest, number):
    item = events.TonightItem("low G and B", (0, 2), ((0, 2),), rest)
    message = tonight_of(events.TonightTurn(item, number, left_us, too_little))
    assert 0 <= message["minutes_left"] <= 10
    assert message["minutes_left"] * 60_000_000 >= left_us
    assert message["sentence"]
    over = tonight_of(events.TonightTurn(None, number, 0, False))
    assert over["item"] is None
    assert over["sentence"] == "The ten minutes are over."


def test_a_session_is_summed_up_in_sentences(tmp_path):
    page = Page()
    session = session_told(page, changes=30)
    session.actor.carry_out(inbox.Finish())
    summary = page.last("summary")
    assert summary["lines"][0].startswith("You played for ")
    assert re.fullmatch(
        r"For tomorrow: begin with low G to B, which was not clean \d+ of \d+ times\.", summary["lines"][-1]
    )
    assert len(summary["lines"]) <= 6
    assert summary["session_file"] is None
    assert all(line.endswith(".") for line in summary["lines"])


def test_what_cannot_be_saved_is_said_to_all_pages_with_the_place_and_then_that_it_is(tmp_path):
    page = Page()
    page.publisher(events.KeepingNow("the disk is full", str(tmp_path), False, 0))
    told = page.all()["keeping"]
    assert told["sentence"] == "Not saved yet: the disk is full."
    assert told["where"] == str(tmp_path)
    assert "Ask someone to make room" in told["advice"]
    page.publisher(events.KeepingNow("the disk is full", str(tmp_path), True, 0))
    assert page.all()["keeping"]["sentence"] == "What you play now is lost: the disk is full."
    page.publisher(events.KeepingNow("", "", False, 12_300_000))
    assert page.all()["keeping"]["sentence"] == page.all()["keeping"]["advice"] == ""
    assert page.last("say")["sentence"].endswith("13 seconds of what you played before could not be.")
    page.publisher(events.KeepingNow("the disk is full", str(tmp_path), False, 0))
    page.publisher(events.KeepingNow("", "", False, 0))
    assert page.last("say")["sentence"] == "There is room again: all that you played is saved."


def test_the_end_says_in_seconds_what_is_lost_and_what_is_not_saved_yet():
    page = Page()
    session = session_told(page)
    session.actor.carry_out(inbox.Finish())
    (over,) = session.of(events.Over)
    page.publisher(replace(over, lost_us=34_000_000, held_us=900_000, log_us=61_000_001))
    _, lost, held, log, *_ = page.last("summary")["lines"]
    assert lost == "Of your playing, 34 seconds could not be saved."
    assert held.startswith("Not saved yet: the last 1 second. ")
    assert log.endswith("the last 62 seconds.")
    assert not page.last("summary")["simulated"]


def test_a_rest_is_asked_for_in_words():
    page = Page()
    page.publisher(events.RestDue(20 * 60_000_000))
    assert "for 20 minutes" in page.last("remind")["sentence"]
    assert "remind" not in page.all()
