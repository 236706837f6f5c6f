from __future__ import annotations

import random

import pytest

from fingering.table import standard_table
from fingerlead import library
from fingerlead.listening.listening import Listening
from fingerlead.listening.reader import Back, Lost
from fingerlead.ports.base import Chunk
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_file import SessionWriter
from fingerlead.store.session_music import MusicError
from fingerlead.store.session_reading import read_session
from fingerlead.wire.carriers import to_stream
from fingerlead.wire.messages import Hello, encode
from tests.reading.players import beginner, run_player
from tests.store.playing import frames, music_of

OFF = SessionMusic(judged=False, why="hands off asked")


def listened(path, pieces, asked):
    """A session of pieces (host µs, bytes, or what became of the port), and what live made of it.

    `asked` are (before which piece, music).
    """
    told = []
    listening = Listening(
        standard_table(), lambda what, timing: told.append(what), skew_us=1_000, keep=SessionWriter(path, "stream", "x")
    )
    waiting = list(asked)
    for number, piece in enumerate(pieces):
        while waiting and waiting[0][0] <= number:
            listening.begin_music(waiting.pop(0)[1])
        listening.take(piece, "stream")
        if number % 3 == 0:
            listening.idle()
    listening.close()
    return listening.analysis()


def same(path, live):
    batch = library.analyse(library.read(path), skew_us=1_000)
    assert [(music.start_us, music.end_us) for music in batch.musics] == [
        (music.start_us, music.end_us) for music in live.musics
    ]
    assert batch.held == live.held
    assert batch.changes == live.changes
    assert batch.movements == live.movements
    assert batch.off == live.off
    return batch


def chunks(played, host_us=1 << 33):
    return [Chunk(data, host_us + at_us) for at_us, data in frames(played.edges, played.end_us)]


@pytest.mark.parametrize("seed", range(6))
def test_live_and_batch_read_each_note_against_the_same_music(tmp_path, seed):
    lot = random.Random(seed)
    tune = [lot.randrange(9) for _ in range(12)]
    tune = [note for number, note in enumerate(tune) if not number or note != tune[number - 1]]
    pieces = chunks(beginner(tune, seed))
    musics = [music_of(tune), OFF, music_of(tune, pass_number=2, stage_us=15_000), SessionMusic(), music_of(tune)]
    places = sorted(lot.sample(range(len(pieces)), len(musics) - 1))
    # The first is asked for before anything is heard, the second twice in one breath.
    asked = [(0, musics[0]), (places[0], music_of([1, 2])), *zip(places, musics[1:], strict=True)]
    batch = same(tmp_path / "a", listened(tmp_path / "a", pieces, asked))
    assert len(batch.musics) >= 4
    assert any(note.written is not None for note in batch.held)


def test_after_a_restart_and_after_a_lost_port_live_and_batch_keep_one_clock(tmp_path):
    path = tmp_path / "a"
    played = run_player(0, 3, 120_000, 5, rounds=4)
    first, host_us = chunks(played), 1 << 33
    anew = Chunk(to_stream(encode(Hello(device_id=b"sessions", scan_rate_hz=1_000, boot=2))), host_us + 40_000_000)
    second = [anew, *chunks(played, host_us + 40_000_000)[1:]]
    gone = [Lost("unplugged", host_us + 70_000_000), Back(host_us + 90_000_000)]
    third = [Chunk(piece.data, piece.host_us + 60_000_000) for piece in second]
    pieces = [*first, *second, *gone, *third]
    music = music_of(played.music)
    asked = [
        (0, music),
        (len(first) + 20, OFF),
        (len(first) + 60, music),
        (len(first) + len(second) + 1, SessionMusic("none")),
        (len(first) + len(second) + 9, music),
    ]
    live = listened(path, pieces, asked)
    batch = same(path, live)
    kept = read_session(path)
    assert [row.at_us for row in kept.asked] == [music.start_us for music in batch.musics]
    assert kept.asked[-1].at_us > 60_000_000
    assert {note.written.music for note in batch.held if note.written} >= {0, 2}


def test_abc_that_cannot_be_read_is_refused_and_asks_for_nothing(tmp_path):
    listening = Listening(standard_table(), lambda *_: None, keep=SessionWriter(tmp_path / "a", "stream", "x"))
    with pytest.raises(MusicError, match="a tune, which begins with a line X:1"):
        listening.begin_music(SessionMusic("tune", "x", "no tune"))
    listening.close()
    assert listening.analysis().musics == ()
    assert read_session(tmp_path / "a").asked == ()
