"""Any file of playing: told by its content, refused in one plain sentence, and never half believed."""

from __future__ import annotations

import contextlib
import io
import tracemalloc

import mido
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fingering.holes import from_text
from fingering.table import standard_table
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_bytes, wire_frames
from fingerlead.store import session_reading
from fingerlead.store.intake import GREATEST_BYTES, IntakeError, RowError, load, read_csv
from fingerlead.store.session_file import SessionWriter
from fingerlead.timing.analysis import analyse
from fingerlead.timing.published import as_dict
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.carriers import HEADER as SYSEX_HEAD
from fingerlead.wire.plain_midi import NoteNumbers


def playing(changes=12, seed=3):
    scenario = load_scenario("mixed")
    return perform(scenario.pupil, write_script(scenario.pupil, seed, changes, None), seed)


def setup():
    return setup_for(3, 1_000, None)


def published(path):
    loaded = load(path)
    timing = timing_of(loaded.record, loaded.kind)
    return as_dict(analyse(loaded.record, standard_table(), timing), loaded.kind, "x")


def csv_of(record):
    rows = [
        f"{t},{''.join('x' if m >> h & 1 else 'o' for h in range(8))}"
        for t, m in zip(record.t_us, record.covered, strict=True)
    ]
    return "time_us,holes\n" + "\n".join(rows) + "\n"


def test_the_same_playing_in_every_kind_of_file_gives_the_same_changes(tmp_path):
    performance = playing()
    stream = tmp_path / "a"
    stream.write_bytes(wire_bytes(performance, setup(), sensors("ideal")))
    sysex = tmp_path / "b"
    sysex.write_bytes(wire_bytes(performance, setup(), sensors("ideal"), "sysex"))
    song = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    song.tracks.append(track)
    for _, frame in wire_frames(performance, setup(), sensors("ideal"), "sysex"):
        # Delta times that lie: everything at once.
        track.append(mido.Message("sysex", data=frame[1:-1], time=0))
    midi = tmp_path / "c"
    song.save(midi)
    listed = tmp_path / "d"
    listed.write_text(csv_of(load(stream).record))

    expected = published(stream)["changes"]
    assert len(expected) >= 12
    assert [load(path).kind for path in (stream, sysex, midi, listed)] == ["wire", "wire", "midi", "csv"]
    assert published(sysex)["changes"] == expected
    assert published(midi)["changes"] == expected
    for ours, theirs in zip(published(listed)["changes"], expected, strict=True):
        for key in ("from", "to", "start_us", "strays", "slips"):
            assert ours[key] == theirs[key]
        for one, other in zip(ours["fingers"], theirs["fingers"], strict=True):
            assert {**one, "uncertainty_us": 1_000} == {**other, "uncertainty_us": 1_000}


def test_plain_notes_in_a_midi_file_have_the_hosts_clock(tmp_path):
    song = mido.MidiFile(ticks_per_beat=500)  # a tick a millisecond at the tempo every file begins with
    track = mido.MidiTrack()
    song.tracks.append(track)
    track += [mido.Message("note_on", channel=15, note=24 + hole, velocity=64, time=0) for hole in range(7)]
    track.append(mido.Message("note_off", channel=15, note=31, time=0))
    track.append(mido.Message("note_off", channel=15, note=30, time=500))  # low A to B
    track.append(mido.Message("note_on", channel=15, note=30, velocity=64, time=500))
    track.append(mido.Message("note_off", channel=15, note=30, time=300))
    path = tmp_path / "plain.mid"
    song.save(path)
    found = published(path)
    assert [(c["from"], c["to"], c["start_us"]) for c in found["changes"]] == [
        ("low A", "B", 500_000),
        ("B", "low A", 1_000_000),
    ]
    assert found["timing"]["clock"] == "host"
    assert found["timing"]["uncertainty_us"] >= 5_000 + 3_000


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(1, 200)), "none of its"),
        (b"MThd\0\0\0\6\0\1", "damaged"),
        (b"MThd\0\0\0\6\0\1\0\1\1\xe0MTrk\0\0\0\4\0\xff\x2f\0", "neither"),
        (b"SQLite format 3\0" + b"\0" * 100, ""),
        (b"time_us,holes\n", "ends after its header"),
        (b"time_us,holes\n0,xxxxxxxx\n5,xxxxxxx\n", "line 3: expected eight letters"),
        (b"time_us,holes\n0,xxxxxxxx\nsoon,xxxxxxxo\n", "line 3: expected a time in whole microseconds; got 'soon'"),
        (b"time_us,holes\n9,xxxxxxxx\n8,xxxxxxxo\n", "line 3: expected a time of 9 or later"),
        (b"time_us,holes\n0,xxxxxxxx,1\n", "line 2: expected two values"),
        (b"time_us,holes\n0,xxxx\xffxxx\n", "line 2: expected plain text"),
        (b"time_us,holes\n" + b"9" * 5_000 + b",xxxxxxxx\n", "line 2: expected a time"),
    ],
)
def test_what_is_no_playing_is_refused_in_one_sentence(tmp_path, content, words):
    path = tmp_path / "stranger"
    path.write_bytes(content)
    with pytest.raises(IntakeError) as refused:
        load(path)
    sentence = str(refused.value)
    assert sentence.startswith(str(path))
    assert words in sentence
    assert "\n" not in sentence
    assert len(sentence) < 400


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    for path in (tmp_path / "nowhere", tmp_path):
        with pytest.raises(IntakeError, match=str(path)):
            load(path)


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_csv_from_any_desk_is_read(line_end, mark):
    text = line_end.join(["time_us,holes", "100, xxxxxxxx", "", "600100,xxxxxxxo"]) + line_end
    record = read_csv((mark + text).encode())
    assert record.t_us.tolist() == [0, 600_000]
    assert record.covered.tolist() == [from_text("xxxxxxxx"), from_text("xxxxxxxo")]


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_after_the_header_are_read_or_refused_by_line(rows):
    lines = []
    try:
        record = read_csv(b"time_us,holes\n" + rows)
    except RowError as error:
        lines.append(error.line)
    else:
        assert (np.diff(record.t_us) >= 0).all()
    assert all(line >= 2 for line in lines)


@pytest.mark.parametrize("carrier", ["stream", "sysex"])
def test_a_recording_cut_off_at_any_byte_is_the_beginning_of_the_whole(tmp_path, carrier):
    data = wire_bytes(playing(4), setup(), sensors("ideal"), carrier)
    path = tmp_path / "cut"
    path.write_bytes(data)
    whole = load(path).record
    for length in range(len(data)):
        path.write_bytes(data[:length])
        try:
            record = load(path).record
        except IntakeError:
            # Before the first whole frame there is nothing.
            assert length < 60
            continue
        count = len(record.t_us)
        assert record.t_us.tolist() == whole.t_us[:count].tolist()
        assert record.covered.tolist() == whole.covered[:count].tolist()
        assert (record.intake.bad_frames, record.intake.lost_frames, record.doubts) == (0, 0, [])


def test_a_midi_file_cut_off_at_any_byte_is_refused_or_a_beginning(tmp_path):
    song = mido.MidiFile()
    track = mido.MidiTrack()
    song.tracks.append(track)
    for _, frame in wire_frames(playing(2), setup(), sensors("ideal"), "sysex"):
        track.append(mido.Message("sysex", data=frame[1:-1], time=3))
    held = io.BytesIO()
    song.save(file=held)
    path = tmp_path / "cut.mid"
    path.write_bytes(held.getvalue())
    whole = load(path).record
    for length in range(0, len(held.getvalue()), 3):
        path.write_bytes(held.getvalue()[:length])
        try:
            record = load(path).record
        except IntakeError:
            continue
        assert record.t_us.tolist() == whole.t_us[: len(record.t_us)].tolist()


def test_plain_notes_elsewhere_are_found_where_they_are_said_to_be(tmp_path):
    song = mido.MidiFile()
    track = mido.MidiTrack()
    song.tracks.append(track)
    track += [mido.Message("note_on", channel=2, note=60 + hole, velocity=64, time=0) for hole in range(8)]
    path = tmp_path / "plain.mid"
    song.save(path)
    with pytest.raises(IntakeError, match="channel 16, notes 24 to 31"):
        load(path)
    assert load(path, NoteNumbers(60, 2)).record.covered.tolist() == [0xFF]


def test_a_session_remembers_which_notes_its_chanter_plays(tmp_path):
    path = tmp_path / "plain.session"
    with SessionWriter(path, "plain", "midi:oak", NoteNumbers(60, 2)._asdict()) as session:
        session.append(bytes(byte for hole in range(8) for byte in (0x92, 60 + hole, 64)), 1_000)
    assert load(path).record.covered.tolist() == [0xFF]


@pytest.mark.parametrize(
    ("told", "skew_us"), [(10_000, 10_000), (None, None), (-1, None), (True, None), ("9", None), (1 << 40, None)]
)
def test_a_session_tells_its_skew(tmp_path, told, skew_us):
    path = tmp_path / "keys.session"
    with SessionWriter(path, "stream", "page", {"skew_us": told}):
        pass
    assert load(path).skew == (None if skew_us is None else KnownSkew(skew_us))


@pytest.mark.parametrize(
    ("told", "skew_us"), [("2100", 2_100), ("", None), ("-1", None), ("²", None), ("9" * 12, None)]
)
def test_a_session_tells_the_skew_that_was_measured_with_its_chanter(tmp_path, told, skew_us):
    path = tmp_path / "oak.session"
    with SessionWriter(path, "stream", "x", {}) as session:
        session.tell(measured_skew_us=told)
    assert load(path).skew == (None if skew_us is None else KnownSkew(skew_us, "measured"))


HOSTILE = {
    "rows": b"time_us,holes\n" + b"0,xxxxxxxx\n0,xxxxxxxo\n" * 24_000,
    "empty rows": b"time_us,holes\n" + b"\n" * 520_000 + b"0,xxxxxxxx\n",
    "spaces": b"time_us,holes\n0,xxxxxxxx" + b" " * 520_000,
    "beginnings of frames": SYSEX_HEAD * 130_000,
    "ends of frames": SYSEX_HEAD + b"\xf7" * 60_000,
    "zeros": b"\1" + b"\0" * 520_000,
}


@pytest.mark.parametrize("content", HOSTILE.values(), ids=HOSTILE)
def test_a_file_takes_few_times_its_size_in_memory(tmp_path, content):
    path = tmp_path / "stranger"
    path.write_bytes(content)
    load_quietly(path)  # tables that are made once
    tracemalloc.start()
    try:
        load_quietly(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 20 * len(content)


def load_quietly(path):
    with contextlib.suppress(IntakeError):
        load(path)


@pytest.mark.parametrize(("head", "kind"), [(b"MThd", "midi"), (b"time_us,holes\n", "csv"), (b"\1", "wire")])
def test_each_kind_of_file_has_a_greatest_size_and_is_not_read_beyond_it(tmp_path, head, kind):
    path = tmp_path / "great"
    path.write_bytes(head)
    with path.open("r+b") as file:
        file.truncate(GREATEST_BYTES[kind] + 1)
    tracemalloc.start()
    try:
        with pytest.raises(IntakeError, match=f"at most {GREATEST_BYTES[kind] >> 20} MiB"):
            load(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1 << 20


def test_more_states_than_a_day_of_playing_has_are_refused_from_any_file(tmp_path, monkeypatch):
    wire = wire_bytes(playing(), setup(), sensors("usual"))
    with SessionWriter(tmp_path / "session", "stream", "sim") as writer:
        writer.append(wire, 0)
    (tmp_path / "wire").write_bytes(wire)
    (tmp_path / "csv").write_bytes(b"time_us,holes\n" + b"".join(b"%d,xxxxxxxo\n" % at for at in range(99)))
    for kind in ("session", "wire", "csv"):
        count = len(load(tmp_path / kind).record.t_us)
        monkeypatch.setattr(session_reading, "MOST_STATES", count)
        load(tmp_path / kind)
        monkeypatch.setattr(session_reading, "MOST_STATES", count - 1)
        with pytest.raises(IntakeError, match=f"at most {count - 1} states of the holes, a day of playing; it has"):
            load(tmp_path / kind)
        monkeypatch.undo()


@given(st.integers(-(1 << 62), 1 << 62), st.integers(-(1 << 62), 1 << 62))
@example(-(1 << 62), 1 << 62)
def test_a_list_of_times_is_refused_or_its_times_rise_from_nought(a, b):
    first_us, last_us = sorted((a, b))
    data = f"time_us,holes\n{first_us},xxxxxxxo\n{last_us},xxxxxxoo\n".encode()
    if last_us - first_us > 1 << 62:
        with pytest.raises(RowError, match=r"line 3: .* beyond all playing"):
            read_csv(data)
    else:
        assert read_csv(data).t_us.tolist() == [0, last_us - first_us]
