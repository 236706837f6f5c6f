"""MIDI tuning against the standard's own examples and the program's ratios; a voice that never leaves a note on."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.notes import SCALES, SOUNDING
from fingerlead.sound.tuning import (
    BAGPIPE,
    HIGHEST_WORD,
    MidiVoice,
    Tuning,
    bend_for,
    semitones,
    single_note_tuning,
    tuning_word,
    written_keys,
)
from tests.sound.ears import cents
from tests.sound.midi_words import hz_of

LENIHAN = "Lenihan and MacNeill 1954"

# Frequency examples of the MIDI Tuning Standard (Updated Specification). Its lines for 00 00 01, 78 00 01, 7F 00 00,
# 7F 00 01 and 7F 7F 7E are misprinted (they disagree with its own definition), so they are no examples here.
STANDARD = {
    "00 00 00": 8.1758,
    "01 00 00": 8.6620,
    "0C 00 00": 16.3516,
    "3C 00 00": 261.6256,
    "3D 00 00": 277.1827,
    "44 7F 7F": 439.9984,
    "45 00 00": 440.0,
    "45 00 01": 440.0016,
    "78 00 00": 8372.0190,
}
# Worked out by hand from the definition, with the ratios of Lenihan and MacNeill 1954, low G 9/10.
AT_480 = "44 57 2B,46 40 68,48 45 69,4A 2F 26,4B 59 6C,4D 43 29,4F 2C 66,50 57 2B,52 40 68"
AT_B_FLAT = "44 16 43,46 00 00,48 05 01,49 6E 3E,4B 19 03,4D 02 40,4E 6B 7D,50 16 43,52 00 00"

low_a = st.floats(220, 490)
scales = st.sampled_from([scale.name for scale in SCALES])
words = st.integers(0, HIGHEST_WORD).map(lambda units: (units >> 14, units >> 7 & 127, units & 127))
masks = st.none() | st.integers(0, 255)
means = st.sampled_from(["tuning standard", "bend"])


def word(text: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(text))


@pytest.mark.parametrize(("text", "hz"), STANDARD.items())
def test_the_standards_own_examples(text, hz):
    # Printed with four digits after the point, of which the last may be one off; a step of a word is 3.5e-6 of it.
    assert hz_of(word(text)) == pytest.approx(hz, rel=5e-7, abs=0.00005)
    assert tuning_word(hz_of(word(text))) == word(text)


@pytest.mark.parametrize("text", [text for text in STANDARD if text not in ("00 00 00", "01 00 00", "0C 00 00")])
def test_the_standards_printed_frequencies_give_its_words(text):
    # Its lowest examples are printed with fewer digits than a word has.
    assert tuning_word(STANDARD[text]) == word(text)


@pytest.mark.parametrize(
    ("hz", "words_", "scale"),
    [(480.0, AT_480, LENIHAN), (440 * 2 ** (1 / 12), AT_B_FLAT, LENIHAN)],
)
def test_the_words_of_the_nine_notes(hz, words_, scale):
    assert [tuning_word(note) for note in Tuning(hz, scale).note_hz()] == [word(text) for text in words_.split(",")]


def test_the_words_of_the_harmonic_set_at_b_flat():
    low_g, _, _, _, d, _, _, high_g, _ = Tuning(440 * 2 ** (1 / 12), "harmonic").note_hz()
    assert [tuning_word(hz) for hz in (low_g, d, high_g)] == [word("43 58 0C"), word("4A 7D 40"), word("4F 58 0C")]


@given(words)
def test_a_word_read_and_written_again_is_itself(each):
    assert tuning_word(hz_of(each)) == each


@given(st.floats(8.1758, 13289.6))
def test_a_word_is_at_most_half_a_step_off(hz):
    assert abs(cents(hz_of(tuning_word(hz)), hz)) <= 100 / 16384 / 2 + 1e-9


@pytest.mark.parametrize("hz", [0.0, -1.0, math.nan, math.inf, 8.0, 13290.0])
def test_what_cannot_be_tuned_is_refused(hz):
    with pytest.raises(ValueError, match="expected a frequency"):
        tuning_word(hz)


@given(st.dictionaries(st.integers(0, 127), st.floats(20, 12_000), min_size=1, max_size=127))
def test_the_single_note_message_is_as_long_as_the_standard_says(tuned):
    message = single_note_tuning(tuned, 3)
    # F0 7F dev 08 02 tt ll [kk xx yy zz] × ll F7
    assert message[:7] == bytes([0xF0, 0x7F, 0x7F, 8, 2, 3, len(tuned)])
    assert message[-1] == 0xF7
    assert len(message) == 8 + 4 * len(tuned)
    body = message[7:-1]
    assert max(body) < 128
    assert {body[i]: tuple(body[i + 1 : i + 4]) for i in range(0, len(body), 4)} == {
        key: tuning_word(hz) for key, hz in tuned.items()
    }


@pytest.mark.parametrize("tuned", [{}, {128: 440.0}, {-1: 440.0}])
def test_what_tunes_no_key_is_refused(tuned):
    with pytest.raises(ValueError, match="expected"):
        single_note_tuning(tuned)


@given(st.integers(1, 24), st.integers(30, 100), st.floats(-1, 1))
def test_a_bend_is_at_most_half_a_step_off(range_, key, share):
    hz = 440 * 2 ** ((key + share * range_ - 69) / 12)
    bend = bend_for(hz, key, range_)
    assert 0 <= bend <= 16383
    bent = key + (bend - 8192) / 8192 * range_
    # At the very top the highest bend is a step short.
    assert abs(bent - semitones(hz)) <= range_ / 8192 * (0.5001 if share < 1 - 1e-4 else 1.0001)


def test_no_bend_is_8192_and_too_far_is_refused():
    assert bend_for(440, 69) == 8192
    assert bend_for(440 * 2 ** (-2 / 12), 69) == 0
    with pytest.raises(ValueError, match="within 2 semitones of key 69"):
        bend_for(500, 69)


@pytest.mark.parametrize(("hz", "low_a_key"), [(480, 69), (466.16, 69), (440, 69), (240, 57), (220, 57), (490, 69)])
def test_keys_are_as_written_in_the_octave_that_sounds(hz, low_a_key):
    keys = written_keys(Tuning(hz).note_hz())
    # Written scale: G A B C sharp D E F sharp G A (fingering notes as in A major with a flattened seventh).
    assert [key - low_a_key for key in keys] == [-2, 0, 2, 4, 5, 7, 9, 10, 12]


class Synth:
    """A synthesiser that obeys what it is told: registered parameters, tunings, bends, notes."""

    def __init__(self) -> None:
        self.parameter, self.range, self.bend = (127, 127), None, 8192
        self.tuned, self.on, self.program, self.choices = {}, {}, None, {}

    def hear(self, messages) -> None:
        for message in messages:
            assert all(byte < 128 for byte in message[1:-1])
            if message[0] == 0xF0:
                body = message[7:-1]
                self.tuned |= {body[i]: hz_of(tuple(body[i + 1 : i + 4])) for i in range(0, len(body), 4)}
                continue
            kind, first, second = message[0] & 0xF0, message[1], message[-1]
            if kind == 0xC0:
                self.program = first
            elif kind == 0xB0:
                self._control(first, second)
            elif kind == 0xE0:
                self.bend = first | second << 7
            elif kind == 0x90 and second:
                self.on[first] = second
            else:
                del self.on[first]  # a note off without its note on is a fault

    def _control(self, number, value) -> None:
        if number == 101:
            self.parameter = (value, self.parameter[1])
        elif number == 100:
            self.parameter = (self.parameter[0], value)
        elif number == 6 and self.parameter == (0, 0):
            self.range = value
        elif number == 6:
            self.choices[self.parameter] = value
        elif number in (120, 123):
            self.on.clear()

    def sounding_hz(self) -> list[float]:
        if self.range is None:
            return [self.tuned[key] for key in self.on]
        return [440 * 2 ** ((key + (self.bend - 8192) / 8192 * self.range - 69) / 12) for key in self.on]


@given(low_a, scales, means, st.lists(masks, max_size=60))
def test_a_synthesiser_sounds_one_note_in_tune_or_none(hz, scale, tuned_by, played):
    note_hz = Tuning(hz, scale).note_hz()
    voice, synth = MidiVoice(note_hz, tuned_by), Synth()
    synth.hear(voice.opening())
    assert synth.program == BAGPIPE
    assert synth.parameter == (127, 127)
    for mask in played:
        synth.hear(voice.cover(mask))
        if not mask:
            assert synth.on == {}
        else:
            (sounds,) = synth.sounding_hz()
            # A bend's step is at most 0.12 cents here, the standard's 0.006.
            assert abs(cents(sounds, note_hz[SOUNDING[mask]])) < (0.08 if tuned_by == "bend" else 0.0031)
        assert voice.cover(mask) == []
    if tuned_by == "bend":
        assert synth.range >= 2
    else:
        assert synth.choices == {(0, 3): 0, (0, 4): 0}
    synth.hear(voice.ending())
    assert synth.on == {}
    assert voice.cover(None) == []


@given(st.floats(440, 485), scales)
def test_at_the_pitches_of_today_the_usual_bend_range_will_do(hz, scale):
    # 2 semitones is what common instruments stand at, also those that take no registered parameters.
    synth = Synth()
    synth.hear(MidiVoice(Tuning(hz, scale).note_hz(), "bend").opening())
    assert synth.range == 2


def test_the_channel_is_in_every_channel_message():
    voice = MidiVoice(Tuning(480).note_hz(), "bend", 3)
    said = voice.opening() + voice.cover(0xFF) + voice.cover(0x7F) + voice.ending()
    assert {message[0] & 0x0F for message in said} == {3}
