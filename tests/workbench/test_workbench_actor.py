"""A chanter on the workbench for a page, step by step in simulated time: nothing is given before it is asked for."""

from __future__ import annotations

import re

import pytest

from fingering.holes import FINGERS
from fingerlead.ports.base import PortEnded, PortLost, PortRefused
from fingerlead.simulated.chanter import Setup
from fingerlead.simulated.sensing import sensors
from fingerlead.store import chanters as files
from fingerlead.store import skews as skew_file
from fingerlead.store.chanters import Calibration
from fingerlead.wire import messages as wire
from fingerlead.workbench.actor import (
    BROKEN_OFF,
    MOST_REQUESTS,
    REQUESTS,
    SAMPLES_EVERY_US,
    STALE,
    Samples,
    Stage,
    WorkbenchActor,
    WorkbenchRequest,
)
from fingerlead.workbench.samples import PLAN
from fingerlead.workbench.talk import Refused
from fingerlead.workbench.workbench import Workbench, WorkbenchError
from tests.workbench.workbench_chanters import QUICK, Sulking, answer_all, hands_port

DEVICE = Setup().device_id.hex()
DEFAULT = tuple((sensor.cover_at, sensor.uncover_at) for sensor in sensors())


class OnWorkbench:
    """The workbench without its thread: each request is carried out at once. `told` is all that was told."""

    def __init__(self, folder, open_port=None, pupil="Ann", **how):
        self.told, self.folder, self.pupil, self.at = [], folder, pupil, lambda what: None
        self.port, self.clock = (None, None) if open_port else hands_port(setup=QUICK, **how)
        self.thread = WorkbenchActor(open_port or (lambda: (self.port, self.clock)), folder, pupil, self.hear)

    def hear(self, what):
        self.told.append(what)
        self.at(what)

    def do(self, what, **fields):
        self.told.clear()
        assert self.thread.ask(WorkbenchRequest(what, **fields))
        self.thread.work_once()
        return self.thread.stage

    @property
    def stages(self):
        return [what for what in self.told if isinstance(what, Stage)]

    @property
    def levels(self):
        """Those of the simulated chanter now."""
        return self.port._chanter._levels

    @property
    def streams(self):
        return self.port._chanter._what

    @property
    def kept(self):
        return files.find_calibration(self.folder, DEVICE, self.pupil)


@pytest.fixture
def workbench(tmp_path):
    return OnWorkbench(tmp_path)


def dead_top_middle():
    bad = list(sensors())
    bad[2] = type(bad[2])(540, 460, 0.0, 3, 5)
    return tuple(bad)


def test_it_asks_for_each_step_shows_samples_and_changes_nothing(workbench):
    began_us = workbench.clock.us
    stage = workbench.do("calibrate")
    took_us = workbench.clock.us - began_us
    assert took_us < 120_000_000
    steps = [stage.step for stage in workbench.stages if stage.step is not None]
    numbers = [step.number for step in steps]
    assert numbers == sorted(numbers)
    assert {(step.number, step.kind, step.hole) for step in steps} == {
        (number, kind, hole) for number, (kind, hole) in enumerate(PLAN, 1)
    }
    assert all(any(step.holding for step in steps if step.number == number) for number in range(1, 19))
    samples = [what for what in workbench.told if isinstance(what, Samples)]
    assert 10 * took_us / 1e6 < len(samples) <= took_us / SAMPLES_EVERY_US + 1
    for one in samples:
        assert all(map(lambda low, now, high: low <= now <= high, one.least, one.latest, one.greatest))
    assert [report.verdict for report in stage.reports] == ["good"] * 8
    assert (stage.job, stage.trouble, stage.given, stage.sentences) == (None, False, False, ())
    assert workbench.levels == DEFAULT
    assert workbench.kept is None


def test_levels_are_given_on_the_click_and_taken_back(workbench):
    found = workbench.do("calibrate").reports
    stage = workbench.do("give", run=1)
    assert (stage.given, stage.trouble, len(stage.sentences)) == (True, False, 1)
    assert workbench.levels == workbench.kept.levels == tuple((one.cover_at, one.uncover_at) for one in found)
    stage = workbench.do("undo")
    assert (stage.given, stage.trouble) == (False, False)
    assert workbench.levels == workbench.kept.levels == DEFAULT
    assert stage.reports == tuple(found)
    assert workbench.do("give", run=1).given


def test_levels_given_twice_still_go_back_to_what_was_before(workbench):
    workbench.do("calibrate")
    for _ in range(2):
        assert workbench.do("give", run=1).given
    workbench.do("undo")
    assert workbench.levels == workbench.kept.levels == DEFAULT


def test_a_damaged_calibration_does_not_stand_in_the_way_of_a_new_one(workbench):
    path = files.calibration_path(workbench.folder, DEVICE, workbench.pupil)
    path.parent.mkdir(parents=True)
    path.write_text("damaged")
    workbench.do("calibrate")
    assert workbench.do("give", run=1).given
    assert workbench.levels == workbench.kept.levels
    workbench.do("undo")
    assert workbench.levels == DEFAULT


def test_where_nothing_can_be_written_nothing_is_given(tmp_path):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    workbench = OnWorkbench(in_the_way)
    workbench.do("calibrate")
    stage = workbench.do("give", run=1)
    assert (stage.trouble, stage.given) == (True, False)
    assert "cannot be written" in stage.sentences[0]
    assert workbench.levels == DEFAULT


def test_a_chanter_that_goes_while_it_takes_its_levels_can_have_the_old_ones_back(tmp_path):
    def half(request, chanter):
        # It takes them, and is not heard of again.
        if chanter.levels != DEFAULT and not chanter.well:
            return None
        return answer_all(request, chanter)

    chanter = Sulking(half)
    chanter.levels, chanter.well = DEFAULT, False
    workbench = Workbench(chanter, chanter.clock, tmp_path, "Ann", lambda: False)
    with pytest.raises(Refused):
        workbench.give(Calibration("00" * 8, "Ann", "2026-01-01", ((700, 200),) * 8, (100.0,) * 8, (900.0,) * 8))
    assert chanter.levels == ((700, 200),) * 8
    chanter.well = True
    workbench.undo()
    assert chanter.levels == DEFAULT


def test_levels_are_given_whole_even_if_it_is_told_to_end(tmp_path):
    chanter = Sulking(answer_all)
    workbench = Workbench(chanter, chanter.clock, tmp_path, "Ann", lambda: True)
    assert workbench.give(
        Calibration("00" * 8, "Ann", "2026-01-01", ((700, 200),) * 8, (100.0,) * 8, (900.0,) * 8)
    ).kept
    assert chanter.levels == ((700, 200),) * 8


def test_levels_of_another_calibration_are_not_given(workbench):
    workbench.do("calibrate")
    for run in (0, 2, -1):
        stage = workbench.do("give", run=run)
        assert (run, stage.sentences, stage.trouble, stage.given) == (run, (STALE,), True, False)
        assert workbench.levels == DEFAULT
        assert workbench.kept is None


def test_before_a_calibration_there_is_nothing_to_give(workbench):
    assert workbench.do("give").trouble
    assert workbench.levels == DEFAULT


def test_a_bad_hole_changes_nothing_and_anyway_keeps_its_old_level(tmp_path):
    workbench = OnWorkbench(tmp_path, sensors_=dead_top_middle())
    before = workbench.levels
    found = workbench.do("calibrate").reports
    assert [one.hole for one in found if one.verdict == "bad"] == [2]
    stage = workbench.do("give", run=1)
    assert stage.trouble
    assert f"the {FINGERS[2]}" in stage.sentences[0]
    assert workbench.levels == before
    assert workbench.kept is None
    assert workbench.do("give", run=1, anyway=True).given
    assert workbench.levels[2] == before[2]
    assert workbench.levels[3] == (found[3].cover_at, found[3].uncover_at)


def test_undo_without_a_before_is_one_sentence(workbench):
    stage = workbench.do("undo")
    assert stage.trouble
    assert "none is kept" in stage.sentences[0]


@pytest.mark.parametrize("step", [2, 3])
def test_stopped_it_says_so_and_the_chanter_streams_holes_again(workbench, step):
    stop_at(workbench, step)
    stage = workbench.do("calibrate")
    assert (stage.sentences, stage.trouble, stage.reports, stage.job) == ((BROKEN_OFF,), False, (), None)
    assert any(isinstance(what, Samples) for what in workbench.told)
    workbench.thread.work_once()
    workbench.thread.work_once()
    assert workbench.streams == wire.STREAM_HOLES
    assert workbench.levels == DEFAULT


def test_another_request_meanwhile_is_done_next(workbench):
    workbench.at = lambda what: isinstance(what, Samples) and workbench.thread.ask(WorkbenchRequest("undo"))
    workbench.do("calibrate")
    workbench.at = lambda what: None
    workbench.thread.work_once()
    assert workbench.thread.stage.last == "undo"


class Vanishing:
    """A port that is gone after so many reads."""

    def __init__(self, port, reads):
        self.port, self.reads, self.closed = port, reads, False
        self.name, self.carrier = port.name, port.carrier

    def read(self, timeout_s):
        self.reads -= 1
        if self.reads < 0:
            raise PortLost(self.name, "unplugged")
        return self.port.read(timeout_s)

    def write(self, data):
        if self.reads < 0:
            raise PortLost(self.name, "unplugged")
        self.port.write(data)

    def close(self):
        self.closed = True


def stop_at(workbench, step):
    """Have it stopped as soon as it asks for a step."""

    def hear(what):
        if isinstance(what, Stage) and what.step is not None and what.step.number == step:
            workbench.at = lambda what: None
            workbench.thread.ask(WorkbenchRequest("stop"))

    workbench.at = hear


VANISHES = [(job, reads) for job in ("calibrate", "bar", "seal", "undo") for reads in (0, 1)]


@pytest.mark.parametrize(("job", "reads"), [*VANISHES, ("calibrate", 300), ("bar", 300)])
def test_a_chanter_that_vanishes_is_one_sentence_and_it_begins_again(tmp_path, job, reads):
    opened = []

    def open_port():
        port, clock = hands_port(setup=QUICK)
        opened.append(Vanishing(port, 10**9 if opened else reads))
        return opened[-1], clock

    workbench = OnWorkbench(tmp_path, open_port)
    workbench.do(job)
    workbench.thread.work_once()
    stage = workbench.thread.stage
    assert stage.trouble
    assert len(stage.sentences) == 1
    assert opened[0].closed
    assert stage.job is None
    stop_at(workbench, 2)
    assert workbench.do("calibrate").sentences == (BROKEN_OFF,)
    assert len(opened) == 2


def test_while_nothing_is_asked_it_reads_on_and_a_loss_is_told(tmp_path):
    port, clock = hands_port()
    gone = Vanishing(port, 5)
    workbench = OnWorkbench(tmp_path, lambda: (gone, clock))
    workbench.thread._opened_workbench()
    for _ in range(5):
        workbench.thread.work_once()
    assert workbench.told == []
    workbench.thread.work_once()
    assert workbench.thread.stage.trouble
    assert gone.closed


def test_gone_for_good_is_said_at_each_try(tmp_path):
    def refuse():
        raise PortRefused("/dev/chanter", "there is no such port", "plug it in")

    workbench = OnWorkbench(tmp_path, refuse)
    for _ in range(2):
        stage = workbench.do("calibrate")
        assert stage.sentences == ("/dev/chanter: there is no such port; plug it in",)
        assert stage.job is None


def test_a_chanter_without_raw_samples_is_told_so(tmp_path):
    chanter = Sulking(answer_all, abilities=0)
    stage = OnWorkbench(tmp_path, lambda: (chanter, chanter.clock)).do("calibrate")
    assert stage.trouble
    assert "cannot; its maker" in stage.sentences[0]


def test_what_a_chanter_refuses_is_one_sentence(tmp_path):
    def refuser(request, chanter):
        return (wire.BAD_VALUE, b"") if isinstance(request, wire.GetThresholds) else answer_all(request, chanter)

    chanter = Sulking(refuser)
    stage = OnWorkbench(tmp_path, lambda: (chanter, chanter.clock)).do("calibrate")
    assert stage.trouble
    assert len(stage.sentences) == 1


def test_the_bar_is_counted_and_enough_is_enough(workbench):
    def enough(what):
        if isinstance(what, Stage) and min(what.counts) == 12:
            workbench.at = lambda what: None
            workbench.thread.ask(WorkbenchRequest("enough"))

    workbench.at = enough
    stage = workbench.do("bar")
    assert not stage.trouble
    assert stage.skew is not None
    assert 11 <= stage.skew.lifts <= 13
    assert skew_file.load_skew(workbench.folder, DEVICE) is not None
    counts = [sum(stage.counts) for stage in workbench.stages]
    assert counts == sorted(counts)


def test_a_skew_that_cannot_be_written_is_told_all_the_same(tmp_path):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    workbench = OnWorkbench(in_the_way)
    stage = workbench.do("bar")
    assert stage.trouble
    assert re.search(r"fire up to (\d+) µs apart \(--skew-us \1\), but .*cannot be written", stage.sentences[0])


def test_a_recording_is_no_chanter(tmp_path):
    class Over(Sulking):
        def read(self, timeout_s):
            raise PortEnded

    over = Over(answer_all)
    stage = OnWorkbench(tmp_path, lambda: (over, over.clock)).do("calibrate")
    assert "is a recording, and it is over; name a chanter's port" in stage.sentences[0]


@pytest.mark.parametrize(("what", "words"), [("enough", "expected at least 10 lifts"), ("stop", BROKEN_OFF)])
def test_a_bar_that_ends_too_soon_keeps_nothing(workbench, what, words):
    workbench.at = lambda told: (
        isinstance(told, Stage) and sum(told.counts) and workbench.thread.ask(WorkbenchRequest(what))
    )
    stage = workbench.do("bar")
    assert stage.sentences[0].startswith(words)
    assert stage.skew is None
    assert skew_file.load_skew(workbench.folder, DEVICE) is None


def test_the_seal_needs_a_calibration_and_then_tells(workbench):
    assert "has not been calibrated by Ann" in workbench.do("seal").sentences[0]
    workbench.do("calibrate")
    workbench.do("give", run=1)
    stage = workbench.do("seal")
    assert stage.moved == (True,) * 8
    assert stage.sentences == ("All holes stayed closed while 8 of 8 fingers moved.",)
    assert any(isinstance(what, Samples) for what in workbench.told)
    assert workbench.do("clear").sentences == ()
    assert workbench.thread.stage.last is None


def test_with_its_thread_it_opens_works_and_closes(tmp_path):
    port, clock = hands_port()
    gone = Vanishing(port, 10**9)
    workbench = OnWorkbench(tmp_path, lambda: (gone, clock))
    workbench.thread.start()
    assert workbench.thread.running
    workbench.thread.stop()
    assert not workbench.thread.running
    assert gone.closed
    assert workbench.told == [Stage()]
    assert workbench.thread.failed is None


@pytest.mark.parametrize("error", [PortRefused("x", "y", "z"), WorkbenchError("no levels to set")])
def test_what_cannot_be_opened_at_first_is_raised_by_start(tmp_path, error):
    def refuse():
        raise error

    thread = OnWorkbench(tmp_path, refuse).thread
    with pytest.raises(type(error)):
        thread.start()


def test_too_many_requests_are_refused(workbench):
    asked = [workbench.thread.ask(WorkbenchRequest(REQUESTS[0])) for _ in range(MOST_REQUESTS + 1)]
    assert asked == [True] * MOST_REQUESTS + [False]
