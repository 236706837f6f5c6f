"""A session: sound at once, sessions kept automatically, nothing hanging, nothing that ends it but its end."""

from __future__ import annotations

import json
from concurrent.futures import Future
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.ladder import ladder
from fingerlead.listening.reader import Back, Ended, Lost
from fingerlead.ports.base import Chunk, Found, PortEnded, PortRefused
from fingerlead.ports.page_port import BEAT_US, PagePort
from fingerlead.ports.sound_port import Beat
from fingerlead.practice import events, inbox
from fingerlead.practice.actor import TICK_S, PracticeActor
from fingerlead.practice.events import Due, Judged, Lit
from fingerlead.store.intake import load
from fingerlead.store.practice_log import Progress, open_progress
from fingerlead.store.session_reading import read_session
from tests.practice.session_tools import TABLE, TODAY, QuietPort, SessionByHand, files, played, standing

DATA, PERFORMANCE = played()


def test_each_state_sounds_before_anything_is_said_of_it():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    order: list[object] = []
    by_hand.heard.cover = lambda mask, host_us: order.append(("sound", mask))  # type: ignore[method-assign]
    by_hand.actor._tell = order.append
    by_hand.play(DATA)
    holes = [place for place, what in enumerate(order) if isinstance(what, events.HolesNow)]
    assert len(holes) > 20
    for place in holes:
        mask = order[place].covered_mask  # type: ignore[attr-defined]
        sounded = next(what for what in reversed(order[:place]) if isinstance(what, tuple))
        assert sounded == ("sound", mask)


def test_what_the_chanter_brings_waits_for_one_request_at_most(monkeypatch):
    by_hand, done, asked = SessionByHand(), [], inbox.BeginAgain()

    class Bringing:
        def get(self, timeout_s):
            done.append(timeout_s)

    monkeypatch.setattr(PracticeActor, "reader", Bringing())
    monkeypatch.setattr(by_hand.actor, "carry_out", done.append)
    for _ in range(3):
        by_hand.actor.ask(asked)
    for _ in range(5):
        by_hand.actor._work_once()
    assert done == [TICK_S, asked, 0, asked, 0, asked, 0, TICK_S]


def test_the_holes_told_are_those_played_and_each_is_told_once():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    masks = [holes.covered_mask for holes in by_hand.of(events.HolesNow)]
    assert masks[0] == PERFORMANCE.start_mask
    assert all(a != b for a, b in pairwise(masks))
    assert len(by_hand.of(Judged)) == 12


@given(st.integers(0, 2**16))
@settings(max_examples=15, deadline=None)
def test_a_session_is_kept_byte_for_byte_under_its_date_and_time(tmp_path_factory, seed):
    folder = tmp_path_factory.mktemp("data")
    data, _ = played(seed, changes=4)
    by_hand = SessionByHand(folder)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(data, seed)
    by_hand.actor.carry_out(inbox.Finish())
    (over,) = by_hand.of(events.Over)
    assert over.session == folder / "2026-03-14-193005.session"
    assert read_session(over.session).data == data
    assert load(over.session).kind == "session"
    stand = standing(by_hand.told)
    assert len(stand) == 4
    counted = [one for one in stand.values() if one.outcome != "not counted"]
    assert sum(count.tried for count in over.summary.changes) == len(counted)
    assert by_hand.actor.keeping.sessions == [over.session]


def test_a_session_says_what_was_practised_and_which_hand_was_on_top(tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.actor.carry_out(inbox.HandOnTop("right"))
    by_hand.actor.carry_out(inbox.OrderRungs("taught"))
    by_hand.actor.carry_out(inbox.KeyboardHolds(6))  # of a page, which does not play here
    by_hand.play(DATA)
    by_hand.actor.carry_out(inbox.Finish())
    (session,) = files(tmp_path)
    practised = json.loads(read_session(session).meta["settings"])
    chosen = {"hand_on_top": "right", "order": "taught"}
    assert practised == {"base_note": 24, "channel": 15, "rungs": ["low-g-b"], "passed": [], **chosen}


def test_the_clicks_that_are_heard_go_into_the_session(tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.SetMetronome(on=True, bpm=120))
    by_hand.heard.ticks = [Beat(by_hand.now_us - 500_000, 0, True)]  # of before: it is of no session
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    half = len(DATA) // 2
    by_hand.play(DATA[:half])
    clicks_us = [by_hand.now_us + number * 500_000 for number in range(3)]
    by_hand.heard.ticks = [Beat(at_us, number, False) for number, at_us in enumerate(clicks_us)]
    by_hand.play(DATA[half:])
    by_hand.actor.carry_out(inbox.Finish())
    (path,) = files(tmp_path)
    ((host_us, clicks),) = read_session(path).clicked
    assert (host_us, clicks.beat_us) == (clicks_us[0], 500_000)
    assert [after - before for before, after in pairwise(clicks.at_us)] == [500_000, 500_000]


def test_two_sessions_in_one_second_have_two_names(tmp_path):
    by_hand = SessionByHand(tmp_path)
    for _ in range(3):
        by_hand.actor.carry_out(inbox.Listen("quiet"))
        by_hand.play(DATA)
    by_hand.actor.close()
    assert sorted(path.name for path in files(tmp_path)) == [
        "2026-03-14-193005-2.session",
        "2026-03-14-193005-3.session",
        "2026-03-14-193005.session",
    ]


def test_where_nothing_was_played_no_file_stays(tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    hands_off, _ = played(3, changes=1)
    # The hello alone, before the first holes frame.
    by_hand.play(hands_off[:20])
    by_hand.actor.carry_out(inbox.Finish())
    assert list(files(tmp_path)) == []
    assert by_hand.of(events.Over) == []
    assert by_hand.actor.last is None


def test_simulated_playing_is_never_kept_and_counts_for_no_learner(tmp_path):
    by_hand = SessionByHand(tmp_path, progress=open_progress(tmp_path))
    by_hand.actor.carry_out(inbox.Listen("sim"))
    by_hand.play(DATA)
    by_hand.actor.carry_out(inbox.Finish())
    (over,) = by_hand.of(events.Over)
    assert over.session is None
    assert not over.summary.kept
    assert list(files(tmp_path)) == []
    assert all(not chanter.kept for chanter in by_hand.of(events.ChanterNow))


def test_the_learners_own_playing_counts(tmp_path):
    by_hand = SessionByHand(tmp_path, progress=open_progress(tmp_path))
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    by_hand.actor.carry_out(inbox.Finish())
    assert by_hand.of(events.ChanterNow)[-2].kept
    assert sum(count.tried for count in by_hand.of(events.Over)[0].summary.changes) == 12
    assert (tmp_path / "practised.jsonl").stat().st_size > 0


@given(st.lists(st.sampled_from(["bytes", "lost", "back", "other", "none", "finish", "again"]), max_size=12))
@settings(max_examples=40, deadline=None)
def test_no_note_hangs_whatever_becomes_of_the_chanter(steps):
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    at, away = 0, False
    for step in steps:
        # A reader brings nothing between Lost and Back.
        if step in (("bytes", "lost") if away else ("back",)):
            continue
        away = step == "lost"
        if step == "bytes":
            by_hand.play(DATA[at : at + 200])
            at += 200
            continue
        match step:
            case "lost":
                by_hand.actor.take_in(Lost("pulled out", by_hand.now_us))
            case "back":
                by_hand.actor.take_in(Back(by_hand.now_us))
                continue
            case "other":
                by_hand.actor.carry_out(inbox.Listen("page"))
            case "none":
                by_hand.actor.carry_out(inbox.Listen(""))
            case "finish":
                by_hand.actor.carry_out(inbox.Finish())
            case "again":
                by_hand.actor.carry_out(inbox.Listen("quiet"))
        assert by_hand.heard.sounds is None
    by_hand.actor.close()
    assert by_hand.heard.sounds is None
    assert by_hand.heard.calls[-1] == "close"


def test_a_chanter_pulled_out_is_waited_for_and_taken_up_again():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA[:600])
    by_hand.actor.take_in(Lost("the cable", by_hand.now_us))
    by_hand.now_us += 2_000_000
    by_hand.actor.take_in(Back(by_hand.now_us))
    by_hand.play(DATA[600:])
    places = [chanter.place for chanter in by_hand.of(events.ChanterNow)]
    assert [place for place, before in zip(places[1:], places, strict=False) if place != before] == [
        "waiting",
        "here",
        "away",
        "waiting",
        "here",
    ]
    assert next(c for c in by_hand.of(events.ChanterNow) if c.place == "away").cause == "the cable"


def test_a_port_that_is_refused_is_said_and_another_may_be_chosen(tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.actor.take_in(Ended(PortRefused("quiet", "another program has it", "close that one")))
    last = by_hand.of(events.ChanterNow)[-1]
    assert (last.place, last.cause) == ("refused", "quiet: another program has it; close that one")
    assert by_hand.actor.reader is None
    assert list(files(tmp_path)) == []
    by_hand.actor.carry_out(inbox.Listen("page"))
    assert by_hand.actor.reader is not None
    by_hand.actor.close()


def test_whatever_is_no_chanter_is_refused_in_a_sentence():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    for _ in range(30):
        by_hand.now_us += 100_000
        by_hand.actor.take_in(Chunk(b"OK\r\n" * 10, by_hand.now_us))
    last = by_hand.of(events.ChanterNow)[-1]
    assert last.place == "refused"
    assert last.cause.startswith("quiet: this does not look like a chanter: expected frames")


def test_a_replay_that_is_over_is_a_session_that_is_over():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    by_hand.actor.take_in(Ended(PortEnded("over")))
    assert len(by_hand.of(events.Over)) == 1
    assert by_hand.of(events.ChanterNow)[-1].place == "none"


def test_what_is_plugged_in_meanwhile_is_told_while_nothing_is_listened_to():

    found: list[tuple[Found, ...]] = [()]
    by_hand = SessionByHand(look=lambda: found[0])
    two = (Found("/dev/a", "one chanter"), Found("/dev/b", "another"))
    found[0] = two
    by_hand.actor.look()
    assert by_hand.of(events.ChanterNow)[-1].found == ()
    by_hand.now_us += 2_000_000
    by_hand.actor.look()
    assert by_hand.of(events.ChanterNow)[-1].found == two


def test_the_pages_own_fingers_are_told_while_a_note_is_still_held():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("page"))
    port = by_hand.actor.page_port
    assert isinstance(port, PagePort)
    low_g, b = TABLE.standard[0], TABLE.standard[2]
    for mask in (low_g, b):
        port.feed(mask, by_hand.now_us + 5_000)
        by_hand.chunks(port, 6 * BEAT_US)
    (judged,) = by_hand.of(Judged)
    assert (judged.change.from_note, judged.change.to_note) == (0, 2)
    # Arrival at the host, 5 ms, and keys that are asked every 10 ms at most.
    assert judged.timing.uncertainty_us == 15_000
    assert judged.timing.clock == "host"
    by_hand.actor.close()


def test_a_fault_that_is_nearer_than_a_keyboard_can_tell_is_no_fault_of_order():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("page"))
    port = by_hand.actor.page_port
    assert port is not None
    low_g, b = TABLE.standard[0], TABLE.standard[2]
    port.feed(low_g, by_hand.now_us + 5_000)
    by_hand.chunks(port, 600_000)
    # The bottom little lifts 12 ms before the bottom ring.
    port.feed(low_g & ~(1 << 7), by_hand.now_us + 1_000)
    port.feed(b, by_hand.now_us + 13_000)
    by_hand.chunks(port, 600_000)
    (judged,) = by_hand.of(Judged)
    assert judged.change.lead is None
    by_hand.actor.close()


request = st.one_of(
    st.sampled_from(["sim", "page", "quiet", "", "nowhere else"]).map(inbox.Listen),
    st.sampled_from([rung.key for rung in ladder()] + ["heron", "1", "no rung", "x" * 300]).map(inbox.ChooseRung),
    st.sampled_from(
        [inbox.BeginTonight(), inbox.BeginAgain(), inbox.Finish(), inbox.HandOnTop("right"), inbox.SoundChanged()]
    ),
    st.builds(
        inbox.SetSound,
        where=st.sampled_from([None, "host", "page", "nowhere"]),
        level_db=st.none() | st.floats(-60, 0),
        voice=st.sampled_from([None, "practice", "pipe", "violin"]),
        low_a_hz=st.none() | st.floats(1, 10_000),
        scale=st.none() | st.text(max_size=5),
        false_cents=st.none() | st.floats(-1_200, 1_200),
        delay_ms=st.none() | st.floats(0, 5_000),
    ),
    st.builds(
        inbox.SetMetronome,
        on=st.none() | st.booleans(),
        bpm=st.none() | st.floats(1, 1_000),
        beats=st.none() | st.integers(1, 64),
        subdivision=st.none() | st.integers(1, 64),
    ),
    st.integers(0, 10**12).map(inbox.Tap),
    st.integers(0, 255).map(inbox.KeyboardHolds),
    st.builds(inbox.Engraved, st.text(max_size=5), st.text(max_size=5)),
    st.builds(inbox.Replay, st.none() | st.integers(0, 10**9), st.booleans()),
    st.builds(inbox.Sounds),
)


@given(st.lists(st.tuples(request, st.integers(0, 300)), max_size=10))
@settings(max_examples=60, deadline=None)
def test_nothing_that_is_asked_for_ends_the_practice(steps):
    by_hand = SessionByHand()
    at = 0
    for asked, size in steps:
        by_hand.actor.carry_out(asked)
        if isinstance(asked, inbox.Replay | inbox.Sounds):
            assert asked.answer.done()
        reader = by_hand.actor.reader
        if reader is not None and reader.carrier == "stream":
            by_hand.play(DATA[at : at + size])
            at += size
    by_hand.actor.close()


def test_a_rung_that_is_none_is_said_and_the_music_stays():
    by_hand = SessionByHand()
    before = by_hand.of(events.MusicNow)[-1].snapshot.key
    by_hand.actor.carry_out(inbox.ChooseRung("nonsense"))
    assert "nonsense" in by_hand.of(events.Notice)[-1].sentence
    assert by_hand.of(events.MusicNow)[-1].snapshot.key == before


def test_a_rung_that_is_chosen_stays_chosen_for_the_next_chanter():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.ChooseRung("c-d"))
    for to in ("sim", "page", "quiet"):
        by_hand.actor.carry_out(inbox.Listen(to))
        assert by_hand.of(events.MusicNow)[-1].snapshot.key == "c-d"
        assert by_hand.of(events.MusicNow)[-1].anew
    by_hand.actor.close()


STRANGE = ("spy:///dev/null?file=/tmp/x", "socket://127.0.0.1:22", "replay:/etc/passwd", "midi:other", "/dev/ttyS9")


@pytest.mark.parametrize("strange", STRANGE)
def test_a_page_chooses_only_what_the_program_found_or_was_told_on_the_command_line(strange):
    opened = []

    def open_port(spec):
        opened.append(spec)
        return QuietPort(spec)

    by_hand = SessionByHand(open_port=open_port, look=lambda: (Found("midi:found", "MIDI input"),))
    by_hand.actor.carry_out(inbox.Choose(strange))
    assert by_hand.actor.reader is None
    assert "on offer" in by_hand.of(events.Notice)[-1].sentence
    for offered in ("sim", "page", "midi:found", ""):
        by_hand.actor.carry_out(inbox.Choose(offered))
        assert (by_hand.actor.reader is None) == (offered == "")
    # A page cannot take away what plays, either.
    by_hand.actor.carry_out(inbox.Listen(strange))
    by_hand.actor.carry_out(inbox.Choose("midi:no"))
    assert by_hand.actor.reader is not None
    by_hand.actor.carry_out(inbox.Choose(""))
    by_hand.actor.carry_out(inbox.Choose(strange))
    assert by_hand.actor.reader is not None
    by_hand.actor.close()
    assert set(opened) <= {"midi:found", strange}


def test_takes_and_the_last_phrase_can_be_heard_again():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.play(DATA)
    for judged in by_hand.of(Judged):
        plain, mended = inbox.Replay(judged.take), inbox.Replay(judged.take, mended=True)
        by_hand.actor.carry_out(plain)
        by_hand.actor.carry_out(mended)
        edges, end_us = plain.answer.result()
        assert edges[-1][0] < end_us
        assert {mask for _, mask in judged.change.edges} <= {mask for _, mask in edges}
        assert (mended.answer.result() is None) == (judged.diagnosis is None)
    phrase = inbox.Replay(None)
    by_hand.actor.carry_out(phrase)
    edges, end_us = phrase.answer.result()
    assert len(edges) >= 8
    assert edges[-1][0] <= end_us


def test_an_answer_to_a_page_that_is_gone_does_no_harm():
    by_hand = SessionByHand()
    answer: Future = Future()
    answer.cancel()
    by_hand.actor.carry_out(inbox.Replay(1, False, answer))
    by_hand.actor.carry_out(inbox.Sounds(answer))


def test_a_rest_is_asked_for_after_twenty_minutes_of_moving_fingers():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("page"))
    port = by_hand.actor.page_port
    assert port is not None
    for number in range(21 * 60 // 10):
        port.feed(TABLE.standard[number % 2], by_hand.now_us)
        by_hand.chunks(port, 10_000_000, step_us=10_000_000)
    (rest,) = by_hand.of(events.RestDue)
    assert rest.played_us == pytest.approx(20 * 60_000_000, abs=20_000_000)
    by_hand.actor.close()


def test_the_simulated_pupil_takes_up_whatever_is_put_on_the_staff():
    by_hand = SessionByHand(rung="")
    by_hand.actor.carry_out(inbox.Listen("sim"))
    assert by_hand.of(events.MusicNow)[-1].snapshot.key != ladder()[0].key
    source = by_hand.actor._source
    assert source is not None
    assert source.pupil_port is not None
    by_hand.actor.carry_out(inbox.ChooseRung("heron"))
    assert source.pupil_port._wanted == by_hand.of(events.MusicNow)[-1].snapshot.tune
    assert by_hand.actor._source is source
    by_hand.actor.close()


def test_the_lit_note_goes_on_from_where_it_was_for_a_page_that_joins_later():
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("page"))
    port = by_hand.actor.page_port
    assert port is not None
    snapshot = by_hand.of(events.MusicNow)[-1].snapshot
    for note, _ in snapshot.notes[:3]:
        port.feed(TABLE.standard[note], by_hand.now_us + 5_000)
        by_hand.chunks(port, 600_000)
    assert by_hand.of(Lit)[-1].index == 3
    assert by_hand.actor._practice.snapshot().lit.index == 3
    by_hand.actor.close()


@pytest.mark.parametrize("listening", [True, False])
def test_past_midnight_what_was_passed_is_due(listening):
    progress = Progress()
    progress.rung_passed(TODAY, "low-g")
    by_hand = SessionByHand(progress=progress)
    if listening:
        by_hand.actor.carry_out(inbox.Listen("quiet"))
    by_hand.wait(1)
    assert by_hand.of(Due) == []
    by_hand.wall += timedelta(hours=5)
    by_hand.wait(1)
    assert [due.rungs for due in by_hand.of(Due)] == [("low-g",)]
    assert by_hand.of(events.MusicNow)[-1].snapshot.due == ("low-g",)


@pytest.mark.parametrize(("late_us", "told"), [(5_000, None), (120_000, 120_000), (-90_000, -90_000)])
def test_what_a_page_plays_is_judged_by_the_beat_that_it_lets_be_heard(late_us, told):
    by_hand = SessionByHand()
    by_hand.actor.carry_out(inbox.Listen("page"))
    by_hand.actor.carry_out(inbox.SetMetronome(on=True, bpm=60))
    port = by_hand.actor.page_port
    clicks = range(2_000_000, 15_000_000, 1_000_000)
    plays = {click_us + 3_000_000 + late_us: TABLE.standard[place % 2 * 2] for place, click_us in enumerate(clicks)}
    for at_us, mask in sorted({**dict.fromkeys(clicks), **plays}.items()):
        by_hand.chunks(port, at_us - by_hand.now_us, 5_000)
        if mask is None:
            by_hand.actor.carry_out(inbox.PageBeat(at_us))
            by_hand.actor.carry_out(inbox.PageBeat(at_us + 70_000))  # a second page, with a beat of its own
        else:
            port.feed(mask, at_us)
    by_hand.chunks(port, 1_000_000)
    offs = [judged.off_beat_us for judged in standing(by_hand.told).values()]
    assert len(offs) > 6
    assert all(off is told is None or (told and abs(off - told) <= 10_000) for off in offs)
    by_hand.actor.close()


@pytest.mark.parametrize("to", ["quiet", "page"])
def test_after_the_end_one_can_play_on(to, tmp_path):
    by_hand = SessionByHand(tmp_path)
    by_hand.actor.carry_out(inbox.PlayOn())
    assert by_hand.actor.reader is None  # nothing was listened to yet
    by_hand.actor.carry_out(inbox.Listen(to))
    by_hand.play(played()[0])
    by_hand.actor.carry_out(inbox.Finish())
    by_hand.actor.carry_out(inbox.Finish())  # a second click
    assert by_hand.of(events.ChanterNow)[-1].place == "none"
    by_hand.actor.carry_out(inbox.PlayOn())
    reader = by_hand.actor.reader
    assert by_hand.of(events.ChanterNow)[-1].place == "waiting"
    by_hand.actor.carry_out(inbox.PlayOn())  # a second click, or a second page
    assert by_hand.actor.reader is reader
    by_hand.actor.close()
