"""The MIDI Tuning Standard's frequency words, read back by its definition."""

from __future__ import annotations


def hz_of(word):
    """The frequency of a word xx yy zz: a semitone and its fraction in 1/16384."""
    assert all(0 <= part <= 0x7F for part in word)
    assert tuple(word) != (0x7F, 0x7F, 0x7F), "no change"
    xx, yy, zz = word
    return 440 * 2 ** ((xx + (yy << 7 | zz) / 16_384 - 69) / 12)
