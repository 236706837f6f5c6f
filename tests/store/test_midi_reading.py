"""A Standard MIDI File from a stranger: what mido reads of a sound one, and one sentence about any other, soon."""

from __future__ import annotations

import io
import random
import subprocess
import sys

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.store import midi_reading
from fingerlead.store.midi_reading import MidiFileError, read_midi_file
from fingerlead.wire.carriers import to_sysex
from fingerlead.wire.columns import read_record
from fingerlead.wire.messages import Holes, encode
from fingerlead.wire.plain_midi import NoteNumbers, PlainNotes

END_OF_TRACK = b"\x00\xff\x2f\x00"
TICKS = st.integers(0, 1 << 21)
BYTES = st.integers(0, 127)


def frame(number):
    return to_sysex(encode(Holes(number & 0xFFFF, number * 1_000 & 0xFFFFFFFF, number * 37 & 0xFF)))


def messages():
    """Everything that a track of another program may hold, and what a chanter puts into one."""
    channel = st.integers(0, 15)
    metas = st.one_of(
        st.builds(lambda text: mido.MetaMessage("text", text=text), st.text(st.characters(max_codepoint=255))),
        st.builds(lambda tempo: mido.MetaMessage("set_tempo", tempo=tempo), st.integers(0, (1 << 24) - 1)),
        st.just(mido.MetaMessage("key_signature", key="Bbm")),
        st.just(mido.MetaMessage("time_signature", numerator=6, denominator=8)),
        st.builds(lambda data: mido.MetaMessage("sequencer_specific", data=data), st.lists(BYTES)),
    )
    sounding = st.one_of(
        st.builds(lambda n, v, on: mido.Message("note_on" if on else "note_off", channel=15, note=24 + n, velocity=v),
                  st.integers(0, 7), BYTES, st.booleans()),
        st.builds(lambda c, n, v: mido.Message("note_on", channel=c, note=n, velocity=v), channel, BYTES, BYTES),
        st.builds(lambda c, v: mido.Message("program_change", channel=c, program=v), channel, BYTES),
        st.builds(lambda c, v: mido.Message("pitchwheel", channel=c, pitch=v), channel, st.integers(-8192, 8191)),
        st.builds(lambda c, n: mido.Message("control_change", channel=c, control=7, value=n), channel, BYTES),
    )  # fmt: skip
    exclusive = st.one_of(
        st.builds(lambda n: mido.Message("sysex", data=frame(n)[1:-1]), st.integers(0, 500)),
        st.builds(lambda data: mido.Message("sysex", data=data), st.lists(BYTES, max_size=9)),
    )
    return st.tuples(st.one_of(metas, sounding, exclusive), TICKS).map(lambda made: made[0].copy(time=made[1]))


@st.composite
def songs(draw):
    song = mido.MidiFile(type=1, ticks_per_beat=draw(st.integers(1, 0x7FFF)))
    for _ in range(draw(st.integers(1, 3))):
        song.tracks.append(mido.MidiTrack(draw(st.lists(messages(), max_size=20))))
    return song


def by_mido(data, plays=NoteNumbers()):
    """The same file's record by another reader, which is no part of the program: None where there is nothing."""
    song = mido.MidiFile(file=io.BytesIO(data))
    tempo_us, tempo_tick, tempo_at_us, tick, timed = 500_000, 0, 0, 0, []
    for message in mido.merge_tracks(song.tracks):
        tick += message.time
        t_us = tempo_at_us + (tick - tempo_tick) * tempo_us // song.ticks_per_beat
        if message.type == "set_tempo":
            tempo_us, tempo_tick, tempo_at_us = message.tempo, tick, t_us
        timed.append((t_us, message))
    frames = [(t, bytes(m.bin())) for t, m in timed if m.type == "sysex" and m.data[:1] not in ((0x7E,), (0x7F,))]
    starts = np.cumsum([0, *(len(each) for _, each in frames)])[:-1]
    arrivals = np.array([[at, t] for at, (t, _) in zip(starts, frames, strict=True)], np.int64).reshape(-1, 2)
    record = read_record(b"".join(each for _, each in frames), arrivals, "sysex")
    if not len(record.t_us):
        notes = [(m.bytes(), t) for t, m in timed if m.type in ("note_on", "note_off")]
        record = PlainNotes(*plays).read_record(notes)
    return record if len(record.t_us) else None


def chunk(kind, data):
    return kind + len(data).to_bytes(4, "big") + data


def file_of(*tracks, division=480, count=None):
    numbers = (1, len(tracks) if count is None else count, division)
    head = b"".join(number.to_bytes(2, "big") for number in numbers)
    return chunk(b"MThd", head) + b"".join(chunk(b"MTrk", track) for track in tracks)


def covered_by_notes(*events):
    """A track in which all holes are heard of, and then these events."""
    return b"".join(bytes((0, 0x9F, 24 + hole, 64)) for hole in range(8)) + b"".join(events) + END_OF_TRACK


@settings(max_examples=150)
@given(songs())
def test_a_sound_file_is_read_as_another_reader_reads_it(song):
    held = io.BytesIO()
    song.save(file=held)
    expected = by_mido(held.getvalue())
    if expected is None:
        with pytest.raises(MidiFileError, match="has neither"):
            read_midi_file(held.getvalue())
        return
    found = read_midi_file(held.getvalue())
    assert found.t_us.tolist() == expected.t_us.tolist()
    assert found.covered.tolist() == expected.covered.tolist()
    assert (found.end_us, found.clock, found.doubts) == (expected.end_us, expected.clock, expected.doubts)
    assert found.intake == expected.intake


def test_a_message_in_packets_is_one_message():
    whole = frame(3)
    for cut in range(1, len(whole) - 1):
        first, rest = whole[1:cut], whole[cut:]
        packets = b"\x00\xf0" + bytes((len(first),)) + first + b"\x05\xf7" + bytes((len(rest),)) + rest
        assert len(read_midi_file(file_of(packets + END_OF_TRACK)).t_us) == 1
    escaped = b"\x00\xf7" + bytes((len(whole),)) + whole
    assert len(read_midi_file(file_of(escaped + END_OF_TRACK)).t_us) == 1


def test_other_chunks_are_passed_over_and_what_follows_the_last_track():
    file = file_of(covered_by_notes())
    inserted = file[:14] + chunk(b"XFIH", b"\x00" * 9) + file[14:] + b"anything"
    assert read_midi_file(inserted).t_us.tolist() == read_midi_file(file).t_us.tolist()


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (b"MThd\0\0\0\6\0\1", "header is cut off"),
        (b"MThd\0\0\0\2\0\1\0\1\1\xe0", "header is cut off"),
        (file_of(b"", division=0xE728), "counts film frames"),
        (file_of(b"", count=9), "a track is cut off"),
        (file_of(b"\0\x40\x40"), "status byte"),
        (file_of(b"\0\x90\x40"), "an event is cut off"),
        (file_of(b"\0\x90\x40\x90"), "status byte or a data byte"),
        (file_of(b"\0\xf4"), "no event begins with 0xf4"),
        (file_of(b"\0\xff"), "a number ends"),
        (file_of(b"\0\xff\x51\x02\0\0"), "a tempo has three bytes"),
        (file_of(b"\0\xf0\x85\xff\x7f\0"), "an event is cut off"),
        (file_of(b"\xff\xff\xff\xff\x7f\x90\x40\x40"), "a number ends within 4 bytes"),
        (file_of(b"\xff\xff\xff\x7f\xff\x01\x00" * 1_100), "beyond all playing"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(file, words):
    with pytest.raises(MidiFileError, match=words):
        read_midi_file(file)


def test_a_bad_key_signature_is_no_concern_of_ours():
    file = file_of(covered_by_notes(b"\0\xff\x59\x02\x7f\x05"))
    assert len(read_midi_file(file).t_us) == 1


def test_the_work_of_a_file_grows_with_its_length(monkeypatch):
    """Numbers read and events counted, and no clock: a delta time without end, many events, many tracks."""
    asked = []
    monkeypatch.setattr(midi_reading, "_number", lambda *given: asked.append(given) or number(*given))
    for made in (
        lambda size: file_of(b"\xff" * size + END_OF_TRACK),
        lambda size: file_of(b"\0\xff\x01\0" * (size // 4) + END_OF_TRACK),
        lambda size: file_of(*[b""] * (size // 8)),
        lambda size: file_of(b"\0\xf0\x02\x7d\xf7" * (size // 5) + END_OF_TRACK),
    ):
        asked.clear()
        with pytest.raises(MidiFileError):
            read_midi_file(made(20_000))
        assert len(asked) <= 20_000


number = midi_reading._number


def test_there_is_a_limit_to_size_and_events(monkeypatch):
    monkeypatch.setattr(midi_reading, "MOST_EVENTS", 1_000)
    many = b"\0\xff\x01\0" * 1_001
    for file in (file_of(many), file_of(many[:2_400], many[:2_400]), file_of(*[b""] * 1_001)):
        with pytest.raises(MidiFileError, match="at most 1000 events"):
            read_midi_file(file)
    monkeypatch.setattr(midi_reading, "GREATEST_BYTES", 1 << 10)
    with pytest.raises(MidiFileError, match="MiB"):
        read_midi_file(file_of(many))


@settings(max_examples=300)
@given(st.randoms(use_true_random=False), st.integers(1, 6))
def test_a_mutated_file_is_read_or_refused_in_a_sentence(chance, changes):
    file = bytearray(file_of(covered_by_notes(b"\x10\xff\x51\x03\x07\xa1\x20", b"\x81\x00\x8f\x1e\x40"), b"\0\xc0\x01"))
    for number in range(4):
        file += chunk(b"MTrk", b"\0\xf0" + bytes((len(frame(number)) - 1,)) + frame(number)[1:] + END_OF_TRACK)
    for _ in range(changes):
        place = chance.randrange(len(file))
        match chance.randrange(4):
            case 0:
                file[place] = chance.randrange(256)
            case 1:
                file[place] ^= 1 << chance.randrange(8)
            case 2:
                del file[place : place + chance.randrange(9)]
            case 3:
                file[place:place] = chance.randbytes(chance.randrange(9))
    assert_read_or_refused(b"MThd" + bytes(file[4:]))


@given(st.binary(max_size=80), st.booleans())
def test_any_bytes_are_read_or_refused(content, as_track):
    assert_read_or_refused(file_of(content) if as_track else b"MThd" + content)


def assert_read_or_refused(file):
    times_us, sentence = np.empty(0), ""
    try:
        times_us = read_midi_file(file).t_us
    except MidiFileError as error:
        sentence = str(error)
    assert (np.diff(times_us) >= 0).all()
    assert "\n" not in sentence
    assert len(sentence) < 300


CHILD = """
import resource, sys
from pathlib import Path
from fingerlead.store.intake import IntakeError, load
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    print(len(load(Path(sys.argv[1])).record.t_us))
except IntakeError as error:
    print(error)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) >> 10)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="resource is not there")
@pytest.mark.parametrize(
    "event",
    [b"\0\x9f\x18\x40", b"\0\xff\x01\0", b"\0\xf0\x02\x7d\xf7", b"\0\xff\x51\x03\0\0\1", b"\0\xc0\x01"],
    ids=["notes", "texts", "exclusive", "tempos", "programs"],
)
def test_a_megabyte_takes_few_megabytes(tmp_path, event):
    path = tmp_path / "many.mid"
    path.write_bytes(file_of(event * ((1 << 20) // len(event)) + END_OF_TRACK))
    done = subprocess.run([sys.executable, "-c", CHILD, path], capture_output=True, text=True)
    assert done.stderr == ""
    # The library before took 250 to 400 times the file.
    assert int(done.stdout.splitlines()[-1]) < 64


def test_random_events_never_leave_a_traceback():
    chance = random.Random(5)
    for _ in range(2_000):
        track = b"".join(
            bytes((chance.randrange(3), chance.choice([0x90, 0xF0, 0xF7, 0xFF, 0x40, chance.randrange(256)])))
            + chance.randbytes(chance.randrange(4))
            for _ in range(chance.randrange(12))
        )
        assert_read_or_refused(file_of(track))


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (file_of(b"\xff" * 400_000 + END_OF_TRACK), "a number ends within 4 bytes"),
        (file_of(b"\0\xff\x59\x02\x7f\x05" + END_OF_TRACK), "has neither"),
        (file_of(b"\0\xf0\x8f\xff\xff\x7f\0"), "an event is cut off"),
    ],
    ids=["a delta time without end", "a bad key signature", "a length beyond the end"],
)
def test_the_command_says_it_in_a_sentence_and_ends_with_1(tmp_path, file, words):
    path = tmp_path / "stranger.mid"
    path.write_bytes(file)
    command = [sys.executable, "-m", "fingerlead.faces.cli.main", "analyse", path]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith(f"fingerlead: {path}: expected ")
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
