"""A take heard again: its masks at a part of the speed, their pitch unchanged.

The holes slow down, the tone does not: the edges are spread out in time and sounded by the same engine.
"""

import io
import math
import wave
from collections.abc import Sequence

import numpy as np

from fingering.table import Table
from fingerlead.sound.engine import AHEAD_FRAMES, HANDS_OFF_US, Engine
from fingerlead.sound.loudness import Samples
from fingerlead.sound.tuning import Tuning

SPEEDS = (1.0, 0.25, 0.1, 0.05)
LONGEST_S = 600
_FADE_US = 10_000


def render_take(
    edges: Sequence[tuple[int, int]],
    end_us: int,
    speed: float,
    table: Table,
    voice: str = "practice",
    tuning: Tuning | None = None,
    drones: bool = False,
    rate_hz: int = 48_000,
    level_db: float = 0.0,
) -> Samples:
    """The masks of `edges` ((t_us, covered_mask), in order of time) from the first one's time to `end_us`.

    One channel; the frame of an edge is the one nearest to (t_us - first t_us) / speed. Fades of 10 ms at both ends.
    `level_db` as in Engine.level. Raises ValueError, one sentence, for edges out of order, a speed outside 0.01 to 1,
    or more than ten minutes of sound.
    """
    if not 0.01 <= speed <= 1:
        raise ValueError(f"expected a speed from 0.01 to 1, such as 0.1 for a tenth; got {speed!r}")
    times_us = [t_us for t_us, _ in edges]
    if not edges or times_us != sorted(times_us) or end_us <= times_us[-1]:
        raise ValueError(
            f"expected edges in order of time and an end after the last; got {len(edges)} edges and the end {end_us} µs"
        )

    def frame_of(t_us: int) -> int:
        return round((t_us - times_us[0]) * rate_hz / (1e6 * speed))

    frames = frame_of(end_us)
    if frames > LONGEST_S * rate_hz:
        raise ValueError(
            f"expected at most {LONGEST_S} seconds of sound; got {frames / rate_hz:.0f}; try a shorter phrase"
        )
    # Hands off for a second of the playing, not of the listening.
    engine = Engine(rate_hz, table, voice, tuning, drones=drones, hands_off_us=math.ceil(HANDS_OFF_US / speed))
    engine.start_at_level(level_db)
    samples = np.empty(AHEAD_FRAMES + frames, dtype=np.float32)
    done = 0
    for t_us, covered_mask in edges:
        begins = frame_of(t_us)
        samples[done:begins] = engine.render(begins - done)
        engine.cover(covered_mask, begins + AHEAD_FRAMES)
        done = begins
    samples[done:] = engine.render(len(samples) - done)
    samples = samples[AHEAD_FRAMES:]
    fade = min(frames, _FADE_US * rate_hz // 1_000_000)
    rise = np.linspace(0, 1, fade, endpoint=False, dtype=np.float32)
    samples[:fade] *= rise
    samples[frames - fade :] *= rise[::-1]
    return samples


def wav_bytes(samples: Samples, rate_hz: int) -> bytes:
    """The samples (-1 to 1, one channel) as a WAV file of 16-bit PCM."""
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes((np.clip(samples, -1, 1) * 32_767).round().astype("<i2").tobytes())
    return file.getvalue()
