from __future__ import annotations

import pytest
from typer.testing import CliRunner

from host.faces.cli.main import app
from host.faces.cli.problem import Problem


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
