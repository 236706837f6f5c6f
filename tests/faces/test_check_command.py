from __future__ import annotations

from dataclasses import replace

import pytest
from typer.testing import CliRunner

from fingerlead.faces.cli.main import app
from fingerlead.faces.cli.problem import Problem
from fingerlead.ports.simulated_port import HandsPort
from fingerlead.simulated.sensing import sensors


def check(*args):
    return CliRunner().invoke(app, ["check", *map(str, args)])


def test_the_simulated_chanter_is_checked_and_the_report_kept(tmp_path):
    done = check("sim", "--for", 1, "-o", tmp_path / "report.txt")
    assert done.exit_code == 0, done.output
    assert "Everything tried is as the wire asks." in done.stdout
    assert (tmp_path / "report.txt").read_text(encoding="utf-8") == done.stdout


@pytest.mark.parametrize("port", ["/dev/nothing-of-the-kind", ""])
def test_a_port_that_is_none_is_one_sentence(port):
    done = check(port)
    assert isinstance(done.exception, Problem)


def test_a_report_that_cannot_be_written_is_one_sentence(tmp_path):
    done = check("sim", "--for", 1, "-o", tmp_path / "no" / "report.txt")
    assert isinstance(done.exception, Problem)
    assert "name another file" in str(done.exception)


@pytest.mark.parametrize("how", [(), ("--holes",)])
def test_a_recording_is_no_chanter_to_check(tmp_path, how):
    recorded = tmp_path / "recorded.bin"
    recorded.write_bytes(b"\0")
    done = check(f"replay:{recorded}", *how)
    assert isinstance(done.exception, Problem)
    assert "is a recording, and it is over; name a chanter's port" in str(done.exception)


class _Clock:
    us = 0

    def __call__(self):
        return self.us

    def sleep(self, seconds):
        self.us += max(1, round(seconds * 1e6))


@pytest.mark.parametrize("dead", [None, 3])
def test_a_board_is_brought_up_hole_by_hole_and_a_dead_hole_is_no_success(monkeypatch, tmp_path, dead):
    clock = _Clock()
    usual = sensors()
    # Its samples never come up to its level.
    mine = tuple(replace(s, cover_at=1_022, uncover_at=1_021) if hole == dead else s for hole, s in enumerate(usual))
    monkeypatch.setattr(
        "fingerlead.faces.cli.devices.HandsPort",
        lambda: HandsPort(seed=1, sensors_=mine, clock=clock, sleep=clock.sleep),
    )
    monkeypatch.setattr("fingerlead.faces.cli.devices.now_us", clock)
    done = check("sim", "--for", 1, "--holes", "-o", tmp_path / "report.txt")
    assert done.exit_code == (0 if dead is None else 1), done.output
    report = (tmp_path / "report.txt").read_text(encoding="utf-8")
    assert done.stdout.endswith(report)
    assert report.count("it answers") == (8 if dead is None else 7)
    assert ("Not as the wire asks: top ring." in report) == (dead is not None)
