"""Playing as a MIDI file: read back by this program it gives the same analysis, read by others the notes."""

from __future__ import annotations

import io
import random
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingering.holes import to_text
from fingering.notes import SOUNDING
from fingering.table import standard_table
from fingerlead.simulated.chanter import setup_for
from fingerlead.simulated.play import perform
from fingerlead.simulated.scenario import load_scenario
from fingerlead.simulated.script import write_script
from fingerlead.simulated.sensing import sensors
from fingerlead.simulated.serve import wire_frames
from fingerlead.sound.tuning import MidiVoice, Tuning
from fingerlead.store import midi_export
from fingerlead.store.intake import load
from fingerlead.store.midi_export import ExportError, export
from fingerlead.store.midi_file import midi_file_bytes
from fingerlead.store.session_file import SessionWriter
from fingerlead.timing.analysis import analyse
from fingerlead.timing.published import as_dict
from fingerlead.timing.timeline import timing_of
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import Holes, encode
from fingerlead.wire.plain_midi import NoteNumbers
from tests.sound.midi_words import hz_of

LOW_A_HZ = 480.0


def voice(tuned_by="tuning standard") -> MidiVoice:
    return MidiVoice(Tuning(LOW_A_HZ).note_hz(), tuned_by)


@lru_cache(maxsize=64)
def frames(seed: int, carrier: str, changes: int = 8) -> tuple[tuple[int, bytes], ...]:
    """(µs, frame) of a simulated session; every seed is another start of one chanter."""
    scenario = load_scenario("mixed")
    performance = perform(scenario.pupil, write_script(scenario.pupil, seed, changes), seed)
    setup = replace(setup_for(seed), boot=seed, device_id=b"simulate")
    return tuple(wire_frames(performance, setup, sensors("ideal"), carrier))


def came(carrier: str, seed: int, starts: int = 1, harm: float = 0.0) -> list[tuple[int, bytes]]:
    """What came in one session, as (host µs, bytes): perhaps in several starts, and harmed."""
    chance = random.Random(seed)
    reads, at_us = [], chance.randrange(10**9)
    for start in range(starts):
        for ready_us, frame in frames(seed % 10 * 4 + start, carrier):
            # Lost, come twice, damaged, cut off, or with noise behind it.
            fate = chance.random() / harm if harm else 1.0
            place = chance.randrange(len(frame))
            if fate < 0.3:
                continue
            if fate < 0.5:
                frame = frame * 2
            elif fate < 0.7:
                frame = frame[:place] + bytes([chance.randrange(256)]) + frame[place + 1 :]
            elif fate < 0.8:
                frame = frame[:place]
            elif fate < 1.0:
                frame += bytes(chance.randrange(256) for _ in range(place))
            arrived_us = at_us + ready_us + chance.randrange(9_000)
            reads.append((max(arrived_us, reads[-1][0] if reads else 0), frame))
        at_us = reads[-1][0] + chance.randrange(1, 5_000_000)
    return reads


def session(path, carrier: str, reads, plays=NoteNumbers()):
    with SessionWriter(path, carrier, "sim", plays._asdict()) as writer:
        for host_us, data in reads:
            writer.append(data, host_us)
    return path


def published(path) -> dict:
    loaded = load(path)
    found = as_dict(analyse(loaded.record, standard_table(), timing_of(loaded.record, loaded.kind)), loaded.kind, "x")
    del found["source"]
    return found


@pytest.fixture
def out(tmp_path):
    return tmp_path / "out.mid"


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(["stream", "sysex"]), st.integers(0, 10**6), st.integers(1, 3), st.sampled_from([0.0, 0.1, 0.4]))
def test_reading_it_back_gives_the_same_analysis(tmp_path_factory, carrier, seed, starts, harm):
    folder = tmp_path_factory.mktemp("session")
    source, out = session(folder / "a", carrier, came(carrier, seed, starts, harm)), folder / "a.mid"
    exported = export(source, out, voice())
    before, after = published(source), published(out)
    if exported.remarks:
        # Where damaged frames were shorter than a MIDI message can be, or too few bytes to make one of.
        (remark,) = exported.remarks
        counts = before["intake"]
        needed = counts["skipped_bytes"] - 5 * counts["bad_frames"]
        assert needed < (0 if counts["bad_frames"] else 3)
        assert f"skipped bytes ({after['intake']['skipped_bytes']}, not {counts['skipped_bytes']})" in remark
        counts["skipped_bytes"] = after["intake"]["skipped_bytes"]
    assert after == before
    assert load(out).record.doubts == load(source).record.doubts
    if not harm:
        assert exported.remarks == ()
        assert len(before["changes"]) >= 6 * starts
        assert before["intake"]["restarts"] == starts - 1


@settings(max_examples=10, deadline=None)
@given(st.sampled_from(["stream", "sysex"]), st.integers(0, 10**6), st.sampled_from([0.0, 0.3]))
def test_bytes_from_the_wire_too(tmp_path_factory, carrier, seed, harm):
    folder = tmp_path_factory.mktemp("wire")
    (folder / "a").write_bytes(b"".join(data for _, data in came(carrier, seed, 2, harm)))
    exported = export(folder / "a", folder / "a.mid", voice())
    before, after = published(folder / "a"), published(folder / "a.mid")
    if exported.remarks:
        before["intake"]["skipped_bytes"] = after["intake"]["skipped_bytes"]
    assert after == before


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 120), st.integers(0, 15))
def test_plain_notes_too_wherever_they_were_played(tmp_path_factory, seed, first_note, channel):
    folder = tmp_path_factory.mktemp("plain")
    moved = [
        (
            host_us,
            bytes(
                (data[i] & 0xF0 | channel, data[i + 1] - 24 + first_note, data[i + 2])[j]
                for i in range(0, len(data), 3)
                for j in range(3)
            ),
        )
        for host_us, data in came("plain", seed)
    ]
    source = session(folder / "a", "plain", moved, NoteNumbers(first_note, channel))
    exported = export(source, folder / "a.mid", voice())
    # To the microsecond, though its ticks are milliseconds.
    assert published(folder / "a.mid") == published(source)
    assert len(published(source)["changes"]) >= 6
    assert exported.remarks == ()


def test_what_plain_notes_cannot_say_is_said(tmp_path, out):
    reads = came("plain", 3)
    with SessionWriter(tmp_path / "a", "plain", "sim") as writer:
        for number, (host_us, data) in enumerate(reads):
            if number == len(reads) // 2:
                writer.mark("lost", reads[number - 1][0] + 1, "unplugged")
                writer.mark("back", host_us - 1)
            writer.append(data, host_us)
    (remark,) = export(tmp_path / "a", out, voice()).remarks
    assert remark.startswith("Plain notes cannot say that the chanter was away")
    before, after = published(tmp_path / "a"), published(out)
    assert before["notes"] == after["notes"]
    assert [change["verdict"] for change in before["changes"]].count("uncertain") >= 1
    assert [change["verdict"] for change in after["changes"]].count("uncertain") == 0


rows = st.lists(st.tuples(st.integers(0, 700_000), st.integers(0, 255)), min_size=1, max_size=40)


@settings(max_examples=25, deadline=None)
@given(rows)
def test_a_list_of_times_gives_the_same_edges_under_the_same_uncertainty(tmp_path_factory, steps):
    folder = tmp_path_factory.mktemp("listed")
    times = np.cumsum([step for step, _ in steps])
    listed = "".join(f"{t},{to_text(mask)}\n" for t, (_, mask) in zip(times, steps, strict=True))
    (folder / "a.csv").write_text("time_us,holes\n" + listed)
    exported = export(folder / "a.csv", folder / "a.mid", voice())
    assert exported.remarks == (midi_export.LISTED,)
    before, after = load(folder / "a.csv").record, load(folder / "a.mid").record
    # No gap is read into long steps, and nothing is lost.
    assert after.doubts == []
    timing = timing_of(before, "csv")
    ours, theirs = (as_dict(analyse(record, standard_table(), timing), "csv", "x") for record in (before, after))
    del ours["intake"], theirs["intake"]  # heartbeats are frames
    assert theirs == ours


def sounding(path) -> list[tuple[int, int]]:
    """(µs, note) whenever another note sounds; hands off is -1."""
    record = load(path).record
    notes = [-1 if mask == 0 else SOUNDING[mask] for mask in record.covered.tolist()]
    found = [(0, notes[0])]
    for t_us, note in zip(record.t_us.tolist(), notes, strict=True):
        if note != found[-1][1]:
            found.append((t_us, note))
    return [*found, (record.end_us, -1)]


@pytest.mark.parametrize("tuned_by", ["tuning standard", "bend"])
def test_others_read_its_notes(tmp_path, out, tuned_by):
    import partitura
    import pretty_midi

    source = session(tmp_path / "a", "stream", came("stream", 5))
    exported = export(source, out, voice(tuned_by))
    keys = voice().keys
    steps = sounding(source)
    wanted = [
        (keys[note], start_us / 1e6, end_us / 1e6) for (start_us, note), (end_us, _) in pairwise(steps) if note >= 0
    ]
    assert exported.notes == len(wanted)

    # A note begins on the last tick (1 ms) that is not after it; shorter ones may have no length, and readers differ.
    lasting = [note for note in wanted if int(note[1] * 1000) < int(note[2] * 1000)]
    (instrument,) = pretty_midi.PrettyMIDI(str(out)).instruments
    assert instrument.program == 109
    assert not instrument.is_drum
    read = sorted(instrument.notes, key=lambda note: note.start)
    assert [note.pitch for note in read if note.end > note.start] == [key for key, _, _ in lasting]
    for note, (_, start, end) in zip((n for n in read if n.end > n.start), lasting, strict=True):
        assert 0 <= start - note.start + 1e-6 < 0.0011
        assert 0 <= end - note.end + 1e-6 < 0.0011

    performed = partitura.load_performance_midi(str(out))
    (part,) = (part for part in performed.performedparts if len(part.notes))
    theirs = sorted((note["note_on"], note["midi_pitch"]) for note in part.notes)
    lasting_too = [
        (on, pitch) for on, pitch in theirs if any(abs(on - s) < 0.0011 and pitch == k for k, s, _ in lasting)
    ]
    assert [pitch for _, pitch in lasting_too] == [key for key, _, _ in lasting]
    assert {program["program"] for program in part.programs} == {109}


def test_mido_reads_the_tuning_of_every_key(tmp_path, out):
    export(session(tmp_path / "a", "stream", came("stream", 5)), out, voice())
    song = mido.MidiFile(out)
    assert (song.type, song.ticks_per_beat) == (1, 500)
    (tuning,) = (m.data for track in song.tracks for m in track if m.type == "sysex" and m.data[0] == 0x7F)
    assert tuning[:5] == (0x7F, 0x7F, 8, 2, 0)
    told = {tuning[i]: hz_of(tuning[i + 1 : i + 4]) for i in range(6, len(tuning), 4)}
    assert sorted(told) == list(voice().keys)
    for key, hz in zip(voice().keys, Tuning(LOW_A_HZ).note_hz(), strict=True):
        assert told[key] == pytest.approx(hz, rel=2e-6)


def test_nothing_sounds_where_the_holes_are_unknown(tmp_path, out):
    """While the chanter was away no note goes on; it sounds again with the first frame after."""
    masks = standard_table().standard
    stamps = [*range(0, 1_000_001, 100_000), 5_000_000, 5_100_000]
    reads = [(t_us, to_stream(encode(Holes(number, t_us, masks[0])))) for number, t_us in enumerate(stamps)]
    export(session(tmp_path / "a", "stream", reads), out, voice())
    on_off = []
    at = 0.0
    for message in mido.MidiFile(out):
        at += message.time
        if message.type in ("note_on", "note_off"):
            on_off.append((round(at, 6), message.type))
    assert on_off == [(0.0, "note_on"), (1.0, "note_off"), (5.0, "note_on"), (5.1, "note_off")]


@given(st.lists(st.tuples(st.integers(0, 5_000), st.booleans()), min_size=1, max_size=60))
def test_what_is_exact_comes_back_to_the_microsecond(steps):
    times = np.cumsum([step for step, _ in steps]).tolist()
    events = [
        (t_us, exact, bytes([0x90, number & 0x7F, 1 + (number >> 7)]))
        for number, (t_us, (_, exact)) in enumerate(zip(times, steps, strict=True))
    ]
    song = mido.MidiFile(file=io.BytesIO(midi_file_bytes("x", {"a": events})))
    tempo, now_us, read = 500_000, 0, []
    for message in mido.merge_tracks(song.tracks):
        numerator = message.time * tempo
        assert numerator % song.ticks_per_beat == 0
        now_us += numerator // song.ticks_per_beat
        if message.type == "set_tempo":
            tempo = message.tempo
        elif message.type == "note_on":
            read.append((now_us, message.note))
    assert [note for _, note in read] == [event[2][1] for event in events]
    for (heard_us, _), (t_us, exact, _) in zip(read, events, strict=True):
        assert heard_us == t_us if exact else 0 <= t_us - heard_us < 1_000


def refused(source, out) -> str:
    with pytest.raises(ExportError) as error:
        export(source, out, voice())
    assert "\n" not in str(error.value)
    return str(error.value)


def test_only_a_midi_file_is_written_anew(tmp_path, out):
    source = session(tmp_path / "a", "stream", came("stream", 5))
    export(source, out, voice())
    export(source, out, voice("bend"))
    kept = source.read_bytes()
    assert "something else is there" in refused(source, source)
    assert "something else is there" in refused(source, tmp_path)
    assert source.read_bytes() == kept
    assert "cannot be written" in refused(source, tmp_path / "nowhere" / "x.mid")


def test_what_cannot_be_written_is_refused_in_a_sentence(tmp_path, out):
    source = session(tmp_path / "a", "stream", came("stream", 5))
    export(source, out, voice())
    assert "this is a MIDI file already" in refused(out, tmp_path / "b.mid")
    days = tmp_path / "days.csv"
    days.write_text(f"time_us,holes\n0,xxxxxxxx\n{3 * 24 * 3_600_000_000},xxxxxxxo\n")
    assert "at most a day of playing; this one has 72 h" in refused(days, tmp_path / "b.mid")
    empty = session(tmp_path / "empty", "stream", [])
    assert "no frame of it has any" in refused(empty, tmp_path / "b.mid")
    assert not (tmp_path / "b.mid").exists()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.data())
def test_a_session_whose_arrivals_make_no_sense_is_written_all_the_same(tmp_path_factory, seed, data):
    folder = tmp_path_factory.mktemp("odd")
    reads = came("stream", seed, 2, 0.2)
    odd = data.draw(st.lists(st.integers(0, 2**40), min_size=len(reads), max_size=len(reads)))
    source = session(folder / "a", "stream", [(at_us, frame) for at_us, (_, frame) in zip(odd, reads, strict=True)])
    try:
        export(source, folder / "a.mid", voice())
    except ExportError:
        with pytest.raises(ExportError, match="at most a day"):
            export(source, folder / "a.mid", voice())
        return
    before, after = published(source), published(folder / "a.mid")
    del before["intake"], after["intake"]
    assert before == after
