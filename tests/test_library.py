"""`import fingerlead` as another program uses it: the README's own example, and the public names."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import fingerlead
from fingerlead import library
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_bytes
from fingerlead.store.session_file import SessionWriter

README = Path(__file__).parents[1] / "README.md"


@pytest.fixture(scope="module")
def session(tmp_path_factory) -> Path:
    """A session of a pupil whose changes go astray."""
    path = tmp_path_factory.mktemp("library") / "monday.session"
    pupil = load_scenario("mixed").pupil
    performance = perform(pupil, write_script(pupil, 5, 40, None), 5)
    with SessionWriter(path, "stream", "sim", {}) as writer:
        writer.append(wire_bytes(performance, setup_for(5, 1_000, None), sensors("ideal")), 1_000)
    return path


@pytest.fixture(scope="module")
def printed(session) -> dict:
    """What the command line prints of it."""
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "analyse", "--format", "json", str(session)]
    return json.loads(subprocess.run(command, capture_output=True, check=True, text=True).stdout)


def test_the_readme_s_example_runs(session, printed, monkeypatch, capsys):
    section = README.read_text(encoding="utf-8").split("\n## As a library\n")[1].split("\n## ")[0]
    (example,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    monkeypatch.chdir(session.parent)
    names: dict = {}
    exec(compile(example, str(README), "exec"), names)
    lines = capsys.readouterr().out.splitlines()
    strays = [
        (change["from"], change["to"], stray["note"], change["lead"])
        for change in printed["changes"]
        for stray in change["strays"]
    ]
    assert strays
    assert lines[0].startswith(f"{len(printed['changes'])} changes, timed to ±")
    assert len(lines) == 1 + len(strays)
    for line, (from_note, to_note, note, lead) in zip(lines[1:], strays, strict=True):
        assert line.startswith(f"{from_note} to {to_note}: {note} sounded for ")
        assert line.endswith(f"the {lead} led" if lead else "too close to call")
    assert names["published"] == {**printed, "source": {"kind": "session", "path": "monday.session"}}


def test_the_library_says_what_the_command_line_says(session, printed):
    loaded = fingerlead.read(str(session))
    analysis = fingerlead.analyse(loaded)
    assert fingerlead.as_dict(analysis, loaded) == printed
    assert [change.verdict for change in analysis.changes] == [change["verdict"] for change in printed["changes"]]
    assert [fingerlead.NOTES[held.note] for held in analysis.held] == [note["note"] for note in printed["notes"]]


def test_settings_table_and_skew_are_the_caller_s(session):
    loaded = fingerlead.read(session)
    settings = fingerlead.Settings(stage_us=1)
    table = fingerlead.standard_table(alternates=True)
    analysis = fingerlead.analyse(loaded, table=table, settings=settings, skew_us=1_234)
    assert analysis.table is table
    assert (analysis.timing.skew_us, analysis.timing.skew) == (1_234, "given")
    assert {change.stage_us for change in analysis.changes} == {1}
    apart = [sum(change.verdict == "apart" for change in one.changes) for one in (fingerlead.analyse(loaded), analysis)]
    assert apart[0] < apart[1]


@pytest.mark.parametrize("text", [None, "", "no playing at all"])
def test_a_file_that_cannot_be_read_raises_one_sentence(tmp_path, text):
    path = tmp_path / "it"
    if text is not None:
        path.write_text(text)
    with pytest.raises(fingerlead.IntakeError, match=re.escape(str(path))) as raised:
        fingerlead.read(path)
    assert "\n" not in str(raised.value)


def test_every_public_name_is_there_and_documented():
    assert set(fingerlead.__all__) == {*library.__all__, "__version__"}
    for name in fingerlead.__all__:
        assert name in dir(fingerlead)
        found = getattr(fingerlead, name)
        assert not callable(found) or found.__doc__
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        fingerlead.nothing  # noqa: B018


def test_importing_it_imports_nothing_else_until_a_name_is_used():
    told = "import sys, fingerlead; print('numpy' in sys.modules); fingerlead.read; print('numpy' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, check=True, text=True)
    assert ran.stdout.split() == ["False", "True"]
