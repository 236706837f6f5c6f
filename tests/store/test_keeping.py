from __future__ import annotations

import json
import os
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from fingerlead import library
from fingerlead.faces.cli.main import app
from fingerlead.reading.asked import SessionMusic
from fingerlead.sound.tuning import MidiVoice, Tuning
from fingerlead.store import keeping
from fingerlead.store.intake import load
from fingerlead.store.keeping import KeepError, keep
from fingerlead.store.midi_export import export
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_music import MusicAt
from fingerlead.store.session_reading import PortMark, read_session, started_utc
from fingerlead.timing.timeline import edges
from fingerlead.wire.carriers import to_stream, to_sysex
from fingerlead.wire.messages import Hello, Holes, encode
from tests.reading.players import run_player
from tests.store.playing import csv_of, frames, music_of, write_playing

TUNE = music_of([0, 3, 0, 3])


@st.composite
def some_edges(draw):
    """Edges as a player makes them, or faster; some lie hours apart."""
    steps = draw(st.lists(st.sampled_from([1, 400, 7_000, 90_001, 260_000, 3_000_000]), min_size=1, max_size=30))
    masks = draw(st.lists(st.integers(0, 255), min_size=len(steps), max_size=len(steps)))
    times = np.cumsum([0, *steps]).tolist()
    return list(zip(times, masks, strict=False)), times[-1]


def same(one, other):
    """Fingers move at the same times, to the same masks; the same is uncertain."""
    mine, theirs = (edges(r.t_us, r.covered, r.end_us) for r in (one, other))
    return (
        mine[0].tolist() == theirs[0].tolist()
        and mine[1].tolist() == theirs[1].tolist()
        and one.doubts == other.doubts
        and one.clock == other.clock
    )


def wire(moves, end_us, framing=to_stream, starts=1, garbage=b""):
    """The frames of one chanter that starts anew so many times; between two starts its clock and count fall back."""
    data = b""
    for start in range(starts):
        data += framing(encode(Hello(device_id=b"keepkeep", scan_rate_hz=1_000, boot=start)))
        for number, (t_us, mask) in enumerate([*moves, (end_us, moves[-1][1])]):
            data += framing(encode(Holes(number + 7 * (number > 5), t_us & 0xFFFFFFFF, mask)))
        data += garbage
    return data


@settings(max_examples=25)
@given(
    some_edges(),
    st.sampled_from(["csv", "stream", "sysex", "midi"]),
    st.integers(1, 3),
    st.binary(max_size=9),
    st.data(),
)
def test_what_is_kept_reads_the_same(tmp_path_factory, played, kind, starts, garbage, data):
    moves, end_us = played
    folder = tmp_path_factory.mktemp("k")
    source = folder / "source"
    if kind == "csv":
        source.write_text(csv_of(moves, end_us))
    else:
        framing = to_sysex if kind == "sysex" else to_stream
        source.write_bytes(wire(moves, end_us, framing, starts, b"" if kind == "sysex" else garbage))
    if kind == "midi":
        export(source, folder / "m.mid", MidiVoice(Tuning(480.0, "harmonic").note_hz(), "bend"))
        source = folder / "m.mid"
    music = data.draw(st.sampled_from([None, TUNE]))
    kept = keep(source, folder / "out.session", datetime(2026, 11, 1, 18, tzinfo=UTC), music)
    before, after = load(source), load(folder / "out.session")
    assert same(before.record, after.record)
    assert after.asked == kept.asked == (() if music is None else (MusicAt(0, TUNE),))
    assert started_utc(read_session(folder / "out.session")) == "2026-11-01T18:00:00+00:00"
    first, second = library.analyse(before), library.analyse(after, asked=SessionMusic())
    assert first.timing == second.timing
    assert first.changes == second.changes
    # A session that is kept once more is the same session.
    keep(folder / "out.session", folder / "twice.session")
    one, two = (read_session(folder / name) for name in ("out.session", "twice.session"))
    assert (one.data, one.arrivals.tolist(), one.asked) == (two.data, two.arrivals.tolist(), two.asked)
    assert (one.meta["settings"], one.meta["started_utc"]) == (two.meta["settings"], two.meta["started_utc"])


def test_an_old_session_keeps_what_it_knows_and_gets_music(tmp_path):
    old = tmp_path / "old"
    with SessionWriter(old, "stream", "/dev/x", {"rungs": ["low-g-b"]}, datetime(2020, 1, 2, tzinfo=UTC)) as writer:
        writer.tell(measured_skew_us="900")
        for at_us, data in frames([(0, 255), (400_000, 127)], 900_000):
            writer.append(data, at_us + 5_000_000)
        writer.mark("lost", 5_500_000, "unplugged")
        writer.mark("back", 5_600_000)
    keep(old, tmp_path / "new", music=TUNE)
    before, after = read_session(old), read_session(tmp_path / "new")
    assert after.asked == (MusicAt(0, TUNE),)
    assert (after.marks, after.meta["measured_skew_us"]) == (before.marks, "900")
    assert after.marks[0] == PortMark(5_500_000, "lost", "unplugged")
    assert started_utc(after) == started_utc(before) == "2020-01-02T00:00:00+00:00"
    assert json.loads(after.meta["settings"]) == {"rungs": ["low-g-b"]}
    assert after.meta["port"] == "/dev/x"


def test_music_that_is_there_is_not_replaced(tmp_path):
    path = write_playing(tmp_path / "a", run_player(0, 3, 120_000, 1), (0, TUNE))
    with pytest.raises(
        KeepError, match="it carries its own music already, which counts; leave --music and --stage-us out"
    ):
        keep(path, tmp_path / "b", music=TUNE)
    assert not (tmp_path / "b").exists()


def test_what_would_read_otherwise_is_not_kept_and_nothing_is_left(tmp_path, monkeypatch):
    path = write_playing(tmp_path / "a", run_player(0, 3, 120_000, 1))
    monkeypatch.setattr(keeping, "_same", lambda one, other: False)
    with pytest.raises(KeepError, match="would not read the same"):
        keep(path, tmp_path / "b")
    assert os.listdir(tmp_path) == ["a"]


def test_a_disk_that_refuses_leaves_nothing(tmp_path, monkeypatch):
    path = write_playing(tmp_path / "a", run_player(0, 3, 120_000, 1))

    def refuse(source, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(KeepError, match="b: it cannot be written: No space left"):
        keep(path, tmp_path / "b")
    assert os.listdir(tmp_path) == ["a"]


def test_the_command_says_what_it_kept_and_refuses_in_one_sentence(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    played = run_player(0, 3, 120_000, 1)
    (tmp_path / "a.csv").write_text(csv_of(played.edges, played.end_us))

    def said(*words):
        done = CliRunner().invoke(app, ["keep", *words])
        return done.exit_code, done.output

    code, text = said("a.csv", "-o", "a.session", "--when", "2026-11-01T18:00", "--music", "low-g-c")
    assert (code, text.splitlines()) == (
        0,
        ["a.session: 0:17 of playing, read against low-g-c.", "Next: fingerlead analyse a.session"],
    )
    assert started_utc(read_session("a.session"))
    code, text = said("a.csv", "-o", "b.session")
    assert "Nothing says when it was played; --when does." in text
    assert started_utc(read_session("b.session")) == ""
    for words in (
        ("a.csv", "-o", "a.session"),
        ("a.session", "-o", "c.session", "--music", "low-g-c"),
        ("a.csv", "-o", "no/where.session"),
        ("a.csv", "-o", "c.session", "--music", "no such rung"),
        ("nothing", "-o", "c.session"),
    ):
        result = CliRunner().invoke(app, ["keep", *words])
        assert result.exit_code == 1
        assert type(result.exception).__name__ in ("Problem", "SystemExit")
    assert sorted(os.listdir(tmp_path)) == ["a.csv", "a.session", "b.session"]
