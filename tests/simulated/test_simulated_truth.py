from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_bytes
from fingerlead.simulated.truth import truth_lines, truth_text
from fingerlead.wire.columns import read_record
from tests.simulated.known import read_truth, sense


def test_a_truth_file_reads_back_as_it_was_played(tmp_path: Path) -> None:
    pupil = load_scenario("mixed").pupil
    performance = perform(pupil, write_script(pupil, 11, changes=200), 11)
    setup = setup_for(11)
    (tmp_path / "truth.jsonl").write_text(truth_text(performance, setup), encoding="utf-8")
    truth = read_truth(tmp_path / "truth.jsonl")
    assert truth.performance == replace(performance, trembles=())
    assert (truth.scan_us, truth.zero_ticks32, truth.first_stamp_us) == (1_000, setup.ticks_start, setup.phase_us)


def test_every_line_is_one_object_of_the_documented_kinds_in_order_of_time() -> None:
    pupil = load_scenario("mixed").pupil
    performance = perform(pupil, write_script(pupil, 12, changes=100), 12)
    header, *lines = [json.loads(line) for line in truth_lines(performance, setup_for(12))]
    assert header["schema"] == "fingerlead-truth-1"
    assert header["pupil"] == "mixed"
    assert {kind for line in lines for kind in line} == {"note", "edge", "grace", "fault"}
    documented = {
        "note": (["number", "note", "holes", "t_us"], {"place"}),
        "edge": (["t_us", "finger", "motion", "change"], set()),
        "grace": (["t_us", "duration_us", "on", "change"], {"note"}),
        "fault": (["kind", "finger", "from", "to", "t_us", "by_us", "change"], {"place", "written", "stopped_at"}),
    }
    for ((kind, body),) in (line.items() for line in lines):
        always, sometimes = documented[kind]
        assert list(body)[: len(always)] == always
        assert set(body) <= {*always, *sometimes}
    times = [body["t_us"] for line in lines for body in line.values()]
    assert times == sorted(times)


def test_times_of_the_record_and_of_the_truth_differ_by_the_first_stamp() -> None:
    pupil = load_scenario("clean").pupil
    performance = perform(pupil, write_script(pupil, 13, changes=40), 13)
    setup = setup_for(13)
    record = read_record(wire_bytes(performance, setup, sensors("ideal")), None)
    header = json.loads(next(truth_lines(performance, setup)))
    expected = sense(performance, sensors("ideal"), setup.scan_us, setup.phase_us)
    by_time = dict(zip(record.t_us.tolist(), record.covered.tolist(), strict=True))
    for t_us, mask in expected:
        assert by_time[t_us - header["first_stamp_us"]] == mask
