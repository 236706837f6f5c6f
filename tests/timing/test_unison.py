"""Two sessions of one tune, with known differences, laid over each other."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fingerlead.timing.unison import UnisonError, unison
from tests.faces.command_line import ran
from tests.timing.fingers import Fingers
from tests.timing.test_pulse import EVEN_TUNE, HEAD, LETTERS, PLAIN, Player, play_plain

GRACED = HEAD.format("Graced", "4/4").replace("1/8", "1/4") + "{g}A{g}B{g}c{g}d|" * 4 + "\n"
NAMES = [letter for letter in PLAIN if letter != "|"]


def play_graced(grace_ms, beat_us=600_000, noise_us=0):
    player = Player(beat_us, noise_us)
    for letter in "ABcd" * 4:
        grace = grace_ms * 1_000 / beat_us
        player.wait(-grace_ms * 1_000).play(7, grace).play(LETTERS.index(letter), 1)
    return player.analysis(GRACED)


def test_a_session_over_itself_is_in_unison():
    analysis = play_plain().analysis(EVEN_TUNE)
    found = unison(analysis, analysis)
    assert (found.notes, found.slower, found.spread_us) == (32, 0, 0)
    assert [bar.bar for bar in found.bars] == list(range(1, 9))
    assert all(bar.apart_us == 0 for bar in found.bars)


def test_another_tempo_and_start_are_no_difference():
    second = play_plain(beat_us=450_000, noise_us=0)
    second.onsets = [at_us + 3_333_333 for at_us in second.onsets]
    found = unison(play_plain(noise_us=0).analysis(EVEN_TUNE), second.analysis(EVEN_TUNE))
    assert found.slower == pytest.approx(-0.1, abs=1e-4)
    assert found.spread_us < 50


def test_the_spread_is_that_of_both_hands_and_a_late_bar_is_found():
    chance = np.random.default_rng(3)
    shifts = chance.normal(0, 20_000, 32)
    first, second = play_plain(noise_us=0), play_plain(noise_us=0)
    second.onsets = [round(at_us + shift) for at_us, shift in zip(second.onsets, shifts, strict=True)]
    found = unison(first.analysis(EVEN_TUNE), second.analysis(EVEN_TUNE))
    low, high = np.percentile(shifts, (25, 75))
    assert found.spread_us == pytest.approx((high - low) / 2, rel=0.15)
    second = play_plain(noise_us=0)
    second.onsets[12:16] = [at_us + 90_000 for at_us in second.onsets[12:16]]
    found = unison(first.analysis(EVEN_TUNE), second.analysis(EVEN_TUNE))
    assert [bar.bar for bar in found.bars if bar.apart_us > 50_000] == [4]
    assert found.bars[3].late_us == pytest.approx([90_000] * 4, abs=5_000)


def test_after_a_stop_it_is_laid_over_anew():
    stopped = Player(500_000, 0)
    for place, letter in enumerate(NAMES):
        stopped.wait(2_000_000 if place == 16 else 0).play(LETTERS.index(letter), 1)
    found = unison(play_plain(noise_us=0).analysis(EVEN_TUNE), stopped.analysis(EVEN_TUNE))
    assert found.notes == 32
    assert found.spread_us < 50


def test_the_movements_are_compared_by_length():
    found = unison(play_graced(50), play_graced(90))
    pairs = [pair for bar in found.bars for pair in bar.movements]
    # The very first grace note leads from no note.
    assert len(pairs) == 15
    assert found.lengths_us == pytest.approx(40_000, abs=3_000)
    assert all(pair.second_us - pair.first_us == pytest.approx(40_000, abs=3_000) for pair in pairs)
    # On the beat by its first grace note, the theme note comes later by as much.
    assert unison(play_graced(50), play_graced(90), "first grace").notes == 16


def test_what_cannot_be_laid_over_each_other_is_one_sentence():
    plain, graced = play_plain().analysis(EVEN_TUNE), play_graced(50)
    with pytest.raises(UnisonError, match="expected two sessions of one tune; the first is of it, the second of it"):
        unison(plain, graced)
    with pytest.raises(UnisonError, match="second has no music"):
        unison(plain, Fingers().play([1, 2, 3]).analysis())
    short = Player()
    for note in (1, 2, 3, 4, 5):
        short.play(note, 1)
    with pytest.raises(UnisonError, match="share too little"):
        unison(plain, short.analysis(EVEN_TUNE))


def csv_of(path, analysis):
    record = analysis.record
    t_us, masks = [*record.t_us.tolist(), record.end_us], [*record.covered.tolist(), int(record.covered[-1])]
    rows = [
        f"{at_us},{''.join('x' if mask >> hole & 1 else 'o' for hole in range(8))}\n"
        for at_us, mask in zip(t_us, masks, strict=True)
    ]
    path.write_text("time_us,holes\n" + "".join(rows))
    return path


def test_the_command(tmp_path):
    tune = tmp_path / "plain.abc"
    tune.write_text(EVEN_TUNE)
    first = csv_of(tmp_path / "a.csv", play_plain(seed=1).analysis(EVEN_TUNE))
    second = csv_of(tmp_path / "b.csv", play_plain(beat_us=550_000, seed=2).analysis(EVEN_TUNE))
    told = ran("unison", first, second, "--expect", tune)
    assert told.returncode == 0, told.stderr
    assert "Plain: b.csv laid over a.csv, 32 notes of each." in told.stdout
    assert "b.csv is 10 % slower" in told.stdout
    assert told.stdout.count("  Bar ") == 8
    as_json = json.loads(ran("unison", first, second, "--expect", tune, "--format", "json").stdout)
    assert (as_json["schema"], len(as_json["bars"])) == ("fingerlead-unison-1", 8)
    for words, sentence in (
        ((first, first), "named twice"),
        ((first, second), "Name it with --expect"),
        ((first, tmp_path / "none.csv"), "none.csv"),
    ):
        refused = ran("unison", *words)
        assert (refused.returncode, refused.stdout) == (1, "")
        assert sentence in refused.stderr
        assert "Traceback" not in refused.stderr
