"""Pulse and pointing, judged by players of another model: a hand's noise on each onset, a beat that wanders."""

from __future__ import annotations

import json
import math
import random
from fractions import Fraction
from itertools import pairwise

import mido
import numpy as np
import pretty_midi
import pytest
import scipy

from fingering.table import standard_table
from fingering.tunes import easy_tunes
from fingerlead.music.abc import parse_abc
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import Music
from fingerlead.store.session_music import written_notes
from fingerlead.timing.analysis import analyse
from fingerlead.timing.beats import MOST_ONSETS, Run, beat_through, drift_of, offs_of, runs_of, slope_of
from fingerlead.timing.findings import findings
from fingerlead.timing.published import as_dict
from fingerlead.timing.pulse import kept_beat, pair_verdict, pulses
from fingerlead.timing.pulse_words import pulse_told, ratio_words
from fingerlead.timing.results import KnownSkew
from fingerlead.timing.summary import summarise
from fingerlead.timing.timeline import timing_for
from fingerlead.wire.events import Doubt, Record
from tests.faces.command_line import ran
from tests.reading.instrument import STANDARD
from tests.timing.fingers import STANDARD as CHART

HEAD = "X:1\nT:{}\nM:{}\nL:1/8\nK:HP\n"
# What is played, as (letter, eighths), beside the same in ABC: written here by hand, pairs by their places.
POINTED = "A>B c<d e>f e2|A>B c<d e2 a2|f>e d<c B>A G2|A2 e2 G4|" * 2
EIGHTHS = [1.5, 0.5, 0.5, 1.5, 1.5, 0.5, 2, 1.5, 0.5, 0.5, 1.5, 2, 2, 1.5, 0.5, 0.5, 1.5, 1.5, 0.5, 2, 2, 2, 4] * 2
NAMES = [*"ABcdefeABcdeafedcBAGAeG"] * 2
LETTERS = "GABcdefga"
PAIRS_AT = [0, 2, 4, 7, 9, 13, 15, 17]
PLAIN = "ABcd|efga|gfed|cBAG|" * 2
EVEN_TUNE = HEAD.format("Plain", "4/4").replace("1/8", "1/4") + PLAIN + "\n"


GRACE_US = 30_000


class Player:
    """Onsets of notes over time, each with a hand's noise; `wander` is how much each interval is off as a share."""

    def __init__(self, beat_us=500_000, noise_us=15_000, wander=0.0, seed=0):
        self.random = random.Random(f"pulse {seed}")
        self.beat_us, self.noise_us, self.wander = beat_us, noise_us, wander
        self.now_us, self.onsets, self.notes = 1_000_000.0, [], []

    def play(self, note, beats, stretch=1.0):
        noise = self.random.gauss(0, self.noise_us)
        earliest = self.onsets[-1] + 20_000 if self.onsets else 0
        self.onsets.append(max(round(self.now_us + noise), earliest))
        self.notes.append(note)
        self.now_us += beats * self.beat_us * stretch * (1 + self.random.gauss(0, self.wander))
        return self

    def wait(self, us):
        self.now_us += us
        return self

    def analysis(self, abc, kind="tune", beat_us=None, doubts=()):
        edges = [(self.onsets[0], STANDARD[self.notes[0]])]
        for at_us, (old, new) in zip(self.onsets[1:], pairwise(self.notes), strict=True):
            # Lifts from the bottom up, then coverings from the top down: no third note sounds.
            moves = STANDARD[old] ^ STANDARD[new]
            lifts = [1 << finger for finger in range(8) if STANDARD[old] & moves >> finger << finger & 1 << finger]
            lowers = [1 << finger for finger in range(7, -1, -1) if ~STANDARD[old] & moves & 1 << finger]
            mask, steps = STANDARD[old], [*lifts, *lowers]
            for number, bit in enumerate(steps):
                mask ^= bit
                edges.append((at_us - 500 * (len(steps) - 1 - number), mask))
        asked = SessionMusic(kind, "it", abc, beat_us=beat_us)
        record = Record(
            np.array([at_us for at_us, _ in edges]),
            np.array([mask for _, mask in edges], dtype=np.uint8),
            self.onsets[-1] + 1_500_000,
            list(doubts),
        )
        timing = timing_for("chanter", 1_000, KnownSkew(3_000))
        return analyse(record, standard_table(), timing, musics=(Music(written_notes(asked), asked=asked),))


def pointed_abc():
    return HEAD.format("Pointed", "4/4") + POINTED + "\n"


def play_pointed(ratio, seed=0, player=None):
    """The pointed tune with its pairs played long to short by a ratio; None as written."""
    player, lengths = player or Player(seed=seed), list(EIGHTHS)
    for first in [place + half for half in (0, 23) for place in PAIRS_AT]:
        if ratio is not None:
            long = 2 * ratio / (1 + ratio)
            dotted = lengths[first] > lengths[first + 1]
            lengths[first : first + 2] = (long, 2 - long) if dotted else (2 - long, long)
    for name, length in zip(NAMES, lengths, strict=True):
        player.play(LETTERS.index(name), length / 2)
    return player


def play_plain(stretch=(), beat_us=500_000, **how):
    """The plain tune; `stretch` is by how much some bars, by their numbers, are longer."""
    player = Player(beat_us, **how)
    for place, letter in enumerate(letter for letter in PLAIN if letter != "|"):
        player.play(LETTERS.index(letter), 1, dict(stretch).get(place // 4 + 1, 1.0))
    return player


def test_the_written_pairs_are_those_of_the_music():
    notes = written_notes(SessionMusic("tune", "it", pointed_abc()))
    wanted = [place + half for half in (0, 23) for place in PAIRS_AT]
    assert [place for place, note in enumerate(notes) if note.rhythm.pair] == wanted
    assert [float(note.rhythm.at) for note in notes] == [0.0, *np.cumsum(EIGHTHS)[:-1] / 2]
    assert {note.rhythm.pair for note in notes if note.rhythm.pair} == {Fraction(3), Fraction(1, 3)}


@pytest.mark.parametrize(
    ("meter", "music", "pairs"),
    [
        ("4/4", "A>B c2 d4|e8|", ["3"]),
        ("4/4", "A3 B c4|d<e f2 g4|", ["3", "1/3"]),
        ("4/4", "c6 A3/2|B/2 c7|", []),  # over a bar line
        ("4/4", "A>B-B2 c4|d8|", []),  # tied on
        ("4/4", "A>A B2 c4|d8|", []),  # two notes that sound as one
        ("4/4", "A>{g}A B2 c4|d8|", ["3"]),
        ("4/4", "A3/2z/2 B2 c4|d8|", []),
        ("4/4", "A B3 c4|d8|", ["1/3"]),
        ("4/4", "e A>B c4 d|e8|", []),  # in no place of the beat
        ("4/4", "A2 B c A2 B c|d8|", []),  # 2 to 1 in a simple meter
        ("6/8", "A2 B c>de|A B2 c3|d6|", ["2", "3", "1/2"]),
        ("none", "A>B c2 d4|e8|", None),
    ],
)
def test_what_is_a_pair(meter, music, pairs):
    notes = written_notes(SessionMusic("tune", "it", HEAD.format("x", meter) + music + "\n"))
    if pairs is None:
        assert all(note.rhythm is None for note in notes)
    else:
        assert [str(note.rhythm.pair) for note in notes if note.rhythm.pair] == pairs


def test_upbeats_and_parts_keep_the_beat():
    abc = HEAD.format("x", "6/8") + "G|A2B c2d|e2f g2:|\n"
    notes = written_notes(SessionMusic("tune", "it", abc))
    assert "".join("|" if note.rhythm.on_beat else "." for note in notes) == ".|.|.|.|" * 2
    assert notes[8].rhythm.at == 4


@pytest.mark.parametrize(("ratio", "verdict"), [(3, "pointed"), (1, "even"), (1 / 3, "backwards")])
@pytest.mark.parametrize("seed", range(3))
def test_pointed_even_and_backwards_are_told_apart(ratio, verdict, seed):
    analysis = play_pointed(ratio, seed).analysis(pointed_abc())
    (pulse,) = pulses(analysis)
    told = [pair.verdict for pair in pulse.pairs]
    assert len(told) == 16
    assert told.count(verdict) >= 15
    assert not {"pointed", "backwards"} <= set(told)
    words = " ".join(dict(pulse_told(analysis))["it"])
    assert {"pointed": "pointed", "even": "nearly even", "backwards": "backwards"}[verdict] in words
    worked_on = [one.words for one in findings(summarise([analysis]))]
    assert any("dotted pairs" in one for one in worked_on) == (verdict != "pointed")


@pytest.mark.parametrize("tune", easy_tunes(), ids=lambda tune: tune.key)
def test_pairs_of_every_tune_are_told_apart(tune):
    """Lengths are redistributed here, by a rule of the test's own; what is written even has no pairs."""
    written = parse_abc(tune.abc, tune.key)[0][0]
    compound = written.meter is not None and written.meter[1] == 8 and written.meter[0] in (6, 9, 12)
    played = written.played()
    ratios = (3, Fraction(1, 3), 2, Fraction(1, 2)) if compound else (3, Fraction(1, 3))
    beat = Fraction(3, 8) if compound else Fraction(1, written.meter[1])
    upbeat = written.bars[0].length if written.first_bar_number == 0 else 0
    heard = {}
    for ratio, verdict in ((None, "pointed"), (1, "even"), (-1, "backwards")):
        player = Player(833_000, 6_000)
        lengths = [note.length for note in played]
        place = 0
        while place < len(played) - 1:
            first, second = played[place : place + 2]
            whole = first.length + second.length
            fills = (first.starts_at - upbeat) % min(whole, beat) == 0
            if first.bar == second.bar and first.length / second.length in ratios and fills and ratio is not None:
                pair = (whole / 2, whole / 2) if ratio == 1 else (second.length, first.length)
                lengths[place : place + 2] = pair
                place += 1
            place += 1
        for note, length in zip(played, lengths, strict=True):
            player.wait(-GRACE_US * len(note.graces))
            for grace in note.graces:
                player.play(grace, GRACE_US / player.beat_us)
            if player.notes and player.notes[-1] == note.note:
                player.now_us += float(length / beat) * player.beat_us
            else:
                player.play(note.note, float(length / beat))
        for pulse in pulses(player.analysis(tune.abc)):
            heard.setdefault(verdict, []).extend(pair.verdict for pair in pulse.pairs)
    pairs = sum(note.rhythm.pair is not None for note in written_notes(SessionMusic("tune", "it", tune.abc)))
    assert set(heard) <= {"pointed", "even", "backwards"}
    assert all(len(told) >= 0.75 * pairs for told in heard.values())
    assert not pairs or len(heard) == 3
    for verdict, told in heard.items():
        assert told.count(verdict) >= 0.8 * len(told), (verdict, told)


def test_a_steady_player_is_told_neither_rush_nor_drag_nor_drift():
    told = 0
    for seed in range(60):
        beat_us, wander = (350_000, 500_000, 700_000)[seed % 3], (0, 0.015)[seed % 2]
        (pulse,) = pulses(play_plain(beat_us=beat_us, wander=wander, seed=seed).analysis(EVEN_TUNE))
        told += pulse.drifts or any(bar.time.rushes or bar.time.drags for bar in pulse.bars)
        assert abs(pulse.beat_us / beat_us - 1) < 0.02
        assert 3_000 < pulse.spread_us < (20_000 if not wander else 80_000)
    assert told <= 1


def test_bars_that_rush_and_bars_that_drag_are_named():
    for seed in range(5):
        analysis = play_plain({5: 0.85, 6: 0.85}, seed=seed).analysis(EVEN_TUNE)
        words = dict(pulse_told(analysis))["it"]
        assert words[1].startswith("Bars 5 and 6 rush: ")
        assert not any("drag" in one for one in words)
        analysis = play_plain({3: 1.2}, seed=seed).analysis(EVEN_TUNE)
        assert dict(pulse_told(analysis))["it"][1].startswith("Bar 3 drags: about ")


def test_drift_is_told_with_its_size():
    player = Player(500_000, 10_000)
    letters = [letter for letter in PLAIN if letter != "|"]
    for place, letter in enumerate(letters):
        player.play(LETTERS.index(letter), 1, 1 - 0.15 * place / len(letters))
    (pulse,) = pulses(player.analysis(EVEN_TUNE))
    assert pulse.drifts
    minutes = (player.onsets[-1] - player.onsets[0]) / 60e6
    assert pulse.drift == pytest.approx(100 * -math.log(0.85) / minutes, rel=0.2)
    assert any(one.startswith("It gets faster, by") for one in dict(pulse_told(player.analysis(EVEN_TUNE)))["it"])


def test_a_stop_or_going_back_bends_no_beat():
    letters = [letter for letter in PLAIN if letter != "|"]
    stopped = Player(500_000, 5_000)
    for place, letter in enumerate(letters):
        stopped.wait(2_700_000 if place == 16 else 0).play(LETTERS.index(letter), 1)
    back = Player(500_000, 5_000)
    for letter in letters[:18] + letters[12:]:
        back.play(LETTERS.index(letter), 1)
    for player in (stopped, back):
        (pulse,) = pulses(player.analysis(EVEN_TUNE))
        assert pulse.beat_us == pytest.approx(500_000, rel=0.01)
        assert pulse.spread_us < 10_000
        assert not pulse.drifts
        assert not [bar for bar in pulse.bars if bar.time.rushes or bar.time.drags]


def test_nothing_is_told_of_less_than_two_bars_of_rungs_without_a_beat_or_of_lost_frames():
    one_bar = HEAD.format("One", "4/4") + "A2 B2 c2 d2|\n"
    player = Player()
    for note in (1, 2, 3, 4):
        player.play(note, 1)
    assert pulses(player.analysis(one_bar)) == []
    assert as_dict(player.analysis(one_bar), "session", "x")["pulse"] == []
    assert pulses(play_plain().analysis(EVEN_TUNE, kind="rung")) == []
    (pulse,) = pulses(play_plain().analysis(EVEN_TUNE, kind="rung", beat_us=500_000))
    assert pulse.source == "metronome"
    whole = play_plain()
    lost = [Doubt(at_us, at_us + 1_000, "lost", 1) for at_us in range(0, whole.onsets[-1], 400_000)]
    assert pulses(whole.analysis(EVEN_TUNE, doubts=lost)) == []


def test_the_metronome_is_the_beat_where_it_is_kept():
    for click_us, wanted in ((500_000, 500_000), (250_000, 500_000), (1_000_000, 500_000), (20_000, None), (1, None)):
        assert kept_beat(click_us, 505_000) == wanted
    assert kept_beat(None, 505_000) is None
    dragging = play_plain(beat_us=505_000, noise_us=3_000)
    (by_click,) = pulses(dragging.analysis(EVEN_TUNE, beat_us=500_000))
    (fitted,) = pulses(dragging.analysis(EVEN_TUNE))
    assert (by_click.source, by_click.beat_us, fitted.source) == ("metronome", 500_000, "fitted")
    # 31 beats, each 5 ms late: half of them lie within a quarter of that.
    assert by_click.spread_us == pytest.approx(31 * 5_000 / 4, rel=0.15)
    assert fitted.spread_us < 5_000
    assert by_click.uncertainty_us > fitted.uncertainty_us


def test_the_published_shape():
    found = json.loads(json.dumps(as_dict(play_pointed(None).analysis(pointed_abc()), "session", "x")))["pulse"]
    assert [list(one) for one in found] == [[
        "music", "pass", "beat_us", "from", "onset", "spread_us", "drift_percent_per_minute", "pairs", "uncertainty_us",
    ]]  # fmt: skip
    assert list(found[0]["pairs"][0]) == ["bar", "written_ratio", "played_ratio"]
    assert (found[0]["music"], found[0]["pass"], found[0]["from"], found[0]["onset"]) == (0, 1, "fitted", "theme")


def test_a_ratio_near_a_limit_is_unclear():
    assert pair_verdict(3, 1.1, 3) == "pointed"
    assert pair_verdict(1.7, 1.1, 3) == pair_verdict(0.6, 1.1, 3) == "unclear"
    assert pair_verdict(1.2, 1.1, 3) == "even"
    assert pair_verdict(0.4, 1.1, 3) == "backwards"
    assert pair_verdict(1, 4, 3) == "unclear"
    assert [ratio_words(ratio) for ratio in (3, 1.24, 1, 0.98, 0.4)] == [
        "3 to 1",
        "1.2 to 1",
        "1 to 1",
        "1 to 1",
        "1 to 2.5",
    ]


@pytest.mark.parametrize("count", [5, 40, 200])
def test_the_slope_and_its_interval_are_scipys(count):
    chance = np.random.default_rng(count)
    x = np.sort(chance.uniform(0, 100, count))
    y = 3 * x + chance.standard_t(1.5, count)
    ours, theirs = slope_of([(x, y)]), scipy.stats.theilslopes(y, x, 0.99)
    assert ours.value == pytest.approx(theirs.slope)
    # Ranks are rounded outwards here.
    assert ours.low <= theirs.low_slope + 1e-12
    assert ours.high >= theirs.high_slope - 1e-12


def run_of(beat_us, noise_us, count, seed=0):
    chance = np.random.default_rng(seed)
    at = np.arange(count, dtype=float)
    us = np.round(7_000_000 + at * beat_us + chance.normal(0, noise_us, count)).astype(np.int64)
    return Run(at, us, np.arange(count) // 4)


@pytest.mark.parametrize("count", [16, 100, MOST_ONSETS + 201])
def test_the_fitted_beat_is_that_of_least_squares_and_of_the_circle(count):
    run = run_of(480_000, 9_000, count)
    beat_us, start_us = beat_through(run)
    line = scipy.stats.linregress(run.at, run.us)
    assert beat_us == pytest.approx(line.slope, abs=4 * line.stderr)
    assert start_us == pytest.approx(line.intercept, abs=4 * line.intercept_stderr + 3_000)
    # Onsets as angles on the beat: their mean direction is the beat's place, their length its steadiness.
    middle = scipy.stats.circmean(run.us % 480_000, high=480_000)
    offs = offs_of(run, 480_000)
    mean_off = scipy.stats.circmean(offs, high=240_000, low=-240_000)
    assert (float(run.us[0] - offs[0]) + mean_off) % 480_000 == pytest.approx(middle, abs=3_000)
    assert scipy.stats.circstd(offs, high=240_000, low=-240_000) == pytest.approx(np.std(offs), rel=0.05)


def test_one_wild_onset_in_five_moves_no_beat():
    run = run_of(480_000, 4_000, 60)
    wild = run.us.copy()
    wild[::5] += 150_000
    assert beat_through(Run(run.at, wild, run.bar))[0] == pytest.approx(480_000, rel=0.002)
    assert drift_of(runs_of(Run(run.at, wild, run.bar)))[1] is False


@pytest.mark.parametrize("swing", [1.0, 1.4, 2.2, 3.0, 0.5])
def test_a_sequenced_tune_with_known_swing_through_the_whole_chain(tmp_path, swing):
    """Hole by hole in a MIDI file, kept and analysed; the ratios are those of pretty_midi's times of the same notes."""
    bpm, per_beat = 90, 480
    abc = tmp_path / "swung.abc"
    abc.write_text(pointed_abc())
    player = play_pointed(swing, player=Player(60e6 / bpm, 0))
    holes, melody = mido.MidiTrack(), mido.MidiTrack()
    for track in (holes, melody):
        track.append(mido.MetaMessage("set_tempo", tempo=round(60e6 / bpm)))
    ticks = [round(at_us * per_beat * bpm / 60e6) for at_us in player.onsets]
    # Every hole is told once, the open ones too.
    mask, last = CHART[player.notes[0]] ^ 0xFF, 0
    for tick, note in zip(ticks, player.notes, strict=True):
        for finger in (finger for finger in range(8) if (mask ^ CHART[note]) >> finger & 1):
            covers = CHART[note] >> finger & 1
            kind = "note_on" if covers else "note_off"
            holes.append(mido.Message(kind, channel=15, note=24 + finger, velocity=64, time=tick - last))
            last = tick
        mask = CHART[note]
    holes.append(mido.Message("note_off", channel=15, note=31, velocity=0, time=per_beat * 3))
    for (tick, after), note in zip(pairwise([*ticks, ticks[-1] + per_beat]), player.notes, strict=True):
        melody.append(mido.Message("note_on", note=57 + note, velocity=64, time=0 if len(melody) > 1 else tick))
        melody.append(mido.Message("note_off", note=57 + note, velocity=0, time=after - tick))
    for name, track in (("holes", holes), ("melody", melody)):
        mido.MidiFile(type=0, ticks_per_beat=per_beat, tracks=[track]).save(tmp_path / f"{name}.mid")
    kept = ran("keep", tmp_path / "holes.mid", "-o", tmp_path / "kept.session", "--music", abc)
    assert kept.returncode == 0, kept.stderr
    found = json.loads(ran("analyse", tmp_path / "kept.session", "--format", "json").stdout)
    times = [note.start for note in pretty_midi.PrettyMIDI(str(tmp_path / "melody.mid")).instruments[0].notes]
    (pulse,) = found["pulse"]
    assert pulse["beat_us"] == pytest.approx(60e6 / bpm, rel=0.005)
    wanted = []
    for first in [place + half for half in (0, 23) for place in PAIRS_AT]:
        lengths = times[first + 1] - times[first], times[first + 2] - times[first + 1]
        wanted.append(lengths[0] / lengths[1] if EIGHTHS[first] > EIGHTHS[first + 1] else lengths[1] / lengths[0])
    assert [pair["played_ratio"] for pair in pulse["pairs"]] == pytest.approx(wanted, rel=0.03)
    assert {pair["written_ratio"] for pair in pulse["pairs"]} == {3.0}
