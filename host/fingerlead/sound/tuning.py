"""What pitch each of the 256 masks sounds: a just scale on low A, and a false fingering audibly beside it.

Source of the ratios: the chosen set of `fingering.scale`. How far a false fingering is off is our own choice and
settable: closing holes below the topmost open one flattens by up to about a semitone (Physics Today 70(2), 2017, 24).

The same pitches as MIDI, tuned: frequency words of the MIDI Tuning Standard, pitch bend, and a voice that plays by
either. Sources: the MIDI Tuning Standard (Updated Specification) for the word and the real-time single note tuning
change (08 02), and for choosing a tuning program (registered parameters 3 and 4); General MIDI for program 110, "Bag
pipe" (109 on the wire); MIDI 1.0 for the rest. Keys are the written notes of the scale (low A is A, C and F are sharp),
in the octave in which low A sounds nearest. Messages are whole ones, without running status.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fingering.holes import HANDS_OFF
from fingering.notes import LOW_A, SCALES, SOUNDING
from fingering.notes import scale as scale_named
from fingering.table import Table

LOWEST_A_HZ, HIGHEST_A_HZ = 220.0, 490.0
FALSE_CENTS = -35.0
MOST_FALSE_CENTS = 100.0

TunedBy = Literal["tuning standard", "bend"]
Word = tuple[int, int, int]

BAGPIPE = 109
UNITS = 1 << 14  # of a word to a semitone
# 7F 7F 7F says "no change", so the word below it is the highest.
HIGHEST_WORD = (1 << 21) - 2
BEND_CENTRE, BEND_MOST = 8192, 16383
USUAL_BEND_RANGE = 2
WRITTEN_KEYS = (67, 69, 71, 73, 74, 76, 78, 79, 81)  # low G to high A where low A is A4
VELOCITY = 96
ALL_SOUND_OFF, ALL_NOTES_OFF = 120, 123
_DATA_MSB, _DATA_LSB, _RPN_LSB, _RPN_MSB = 6, 38, 100, 101
_BEND_RANGE_RPN, _TUNING_PROGRAM_RPN, _TUNING_BANK_RPN = 0, 3, 4


@dataclass(frozen=True, slots=True)
class Tuning:
    """Low A in Hz, a set of ratios by its name in SCALES, and how far off a false fingering sounds (either sign).

    Raises ValueError, one sentence, for a low A outside 220 to 490 Hz, an unknown set, or false fingerings more than
    100 cents off.
    """

    low_a_hz: float = 240.0
    scale: str = SCALES[0].name
    false_cents: float = FALSE_CENTS

    def __post_init__(self) -> None:
        if not _between(LOWEST_A_HZ, self.low_a_hz, HIGHEST_A_HZ):
            raise ValueError(
                f"expected low A between {LOWEST_A_HZ:.0f} and {HIGHEST_A_HZ:.0f} Hz; got {self.low_a_hz!r}; "
                "a practice chanter is near 240, a pipe chanter near 480"
            )
        if not _between(-MOST_FALSE_CENTS, self.false_cents, MOST_FALSE_CENTS):
            raise ValueError(
                f"expected false fingerings between {-MOST_FALSE_CENTS:.0f} and {MOST_FALSE_CENTS:.0f} cents off; "
                f"got {self.false_cents!r}; try {FALSE_CENTS:.0f}"
            )
        scale_named(self.scale)

    def note_hz(self) -> tuple[float, ...]:
        """The nine notes in Hz, low G to high A."""
        return tuple(self.low_a_hz * float(ratio) for ratio in scale_named(self.scale).ratios)

    def hz(self, table: Table) -> npt.NDArray[np.float64]:
        """Hz by mask, shape (256,): the note that the mask sounds, shifted where its fingering is false."""
        notes = self.note_hz()
        shift = 2 ** (self.false_cents / 1200)
        return np.array(
            [
                notes[SOUNDING[mask]] * (shift if table.verdict(mask).fingering == "false" else 1.0)
                for mask in range(256)
            ]
        )


def _between(low: float, value: object, high: float) -> bool:
    # A bool is an int to Python, but no pitch.
    return (
        isinstance(value, (int, float))
        and not isinstance(value, bool)
        and math.isfinite(value)
        and low <= value <= high
    )


def semitones(hz: float) -> float:
    """A frequency as a MIDI key with a fraction: 69 is 440 Hz. ValueError for what is none."""
    if not (math.isfinite(hz) and hz > 0):
        raise ValueError(f"expected a frequency above 0 Hz; got {hz!r}")
    return 69 + 12 * math.log2(hz / 440)


def tuning_word(hz: float) -> Word:
    """The nearest frequency word xx yy zz: semitone, then its fraction in 1/16384, seven bits each; ValueError."""
    units = round(semitones(hz) * UNITS)
    if not 0 <= units <= HIGHEST_WORD:
        raise ValueError(f"expected a frequency of 8.18 to 13289.66 Hz, as MIDI can tune; got {hz!r}")
    return units >> 14, units >> 7 & 0x7F, units & 0x7F


def single_note_tuning(hz_of_key: Mapping[int, float], program: int = 0, device: int = 0x7F) -> bytes:
    """The System Exclusive message that tunes keys (1 to 127 of them) of a tuning program; device 7F is all."""
    if not 1 <= len(hz_of_key) <= 0x7F or not all(0 <= number <= 0x7F for number in (program, device, *hz_of_key)):
        raise ValueError("expected one key or more, and every key, program and device from 0 to 127")
    body = [number for key, hz in hz_of_key.items() for number in (key, *tuning_word(hz))]
    return bytes([0xF0, 0x7F, device, 0x08, 0x02, program, len(hz_of_key), *body, 0xF7])


def bend_for(hz: float, key: int, range_semitones: int = USUAL_BEND_RANGE) -> int:
    """The 14-bit pitch bend (8192 is none) that brings a key to a frequency; ValueError where it cannot."""
    bend = BEND_CENTRE + round((semitones(hz) - key) * BEND_CENTRE / range_semitones)
    # The highest bend is one step short of the whole range.
    if not 0 <= bend <= BEND_MOST + 1:
        raise ValueError(f"expected a frequency within {range_semitones} semitones of key {key}; got {hz!r} Hz")
    return min(bend, BEND_MOST)


def written_keys(note_hz: Sequence[float]) -> tuple[int, ...]:
    """The keys of the nine notes: as written, in the octave in which low A sounds nearest."""
    octaves = round((semitones(note_hz[LOW_A]) - WRITTEN_KEYS[LOW_A]) / 12)
    return tuple(key + 12 * octaves for key in WRITTEN_KEYS)


class MidiVoice:
    """What the holes sound, as MIDI messages: one note at a time, on one channel (counted from 0).

    `note_hz` are the nine notes from low G up. By the tuning standard the keys are tuned once, in `opening`; by bend
    each note brings its own. Hands off is silence. Holds what sounds now, and no port, clock or thread.
    """

    def __init__(self, note_hz: Sequence[float], tuned_by: TunedBy = "tuning standard", channel: int = 0) -> None:
        self.keys = written_keys(note_hz)
        self.tuned_by: TunedBy = tuned_by
        self._hz = tuple(note_hz)
        self._channel = channel
        self._key: int | None = None
        farthest = max(abs(semitones(hz) - key) for hz, key in zip(self._hz, self.keys, strict=True))
        self._range = max(USUAL_BEND_RANGE, math.ceil(farthest))

    def opening(self) -> list[bytes]:
        """What makes a synthesiser ready. Nothing sounds after it."""
        self._key = None
        ready = [bytes([0xC0 | self._channel, BAGPIPE])]
        if self.tuned_by == "bend":
            return ready + self._parameter(_BEND_RANGE_RPN, self._range, 0)
        return [
            *ready,
            *self._parameter(_TUNING_BANK_RPN, 0),
            *self._parameter(_TUNING_PROGRAM_RPN, 0),
            single_note_tuning(dict(zip(self.keys, self._hz, strict=True))),
        ]

    def cover(self, covered_mask: int | None) -> list[bytes]:
        """Sound what a mask sounds, from now on; None (not known) and hands off are silence."""
        if covered_mask is None or covered_mask == HANDS_OFF:
            return self._stop()
        note = SOUNDING[covered_mask]
        key = self.keys[note]
        if key == self._key:
            return []
        messages = self._stop()
        if self.tuned_by == "bend":
            bend = bend_for(self._hz[note], key, self._range)
            messages.append(bytes([0xE0 | self._channel, bend & 0x7F, bend >> 7]))
        self._key = key
        return [*messages, bytes([0x90 | self._channel, key, VELOCITY])]

    def ending(self) -> list[bytes]:
        """Everything off, whatever became of the messages before."""
        return [*self._stop(), self._control(ALL_NOTES_OFF, 0), self._control(ALL_SOUND_OFF, 0)]

    def _stop(self) -> list[bytes]:
        key, self._key = self._key, None
        return [] if key is None else [bytes([0x80 | self._channel, key, 0])]

    def _control(self, number: int, value: int) -> bytes:
        return bytes([0xB0 | self._channel, number, value])

    def _parameter(self, number: int, *data: int) -> list[bytes]:
        """A registered parameter: its number, its data, and then no parameter, so that nothing else can change it."""
        chosen = [self._control(_RPN_MSB, 0), self._control(_RPN_LSB, number)]
        values = [self._control(where, value) for where, value in zip((_DATA_MSB, _DATA_LSB), data, strict=False)]
        return [*chosen, *values, self._control(_RPN_MSB, 0x7F), self._control(_RPN_LSB, 0x7F)]
