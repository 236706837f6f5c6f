"""What a calibration takes: raw samples over time, which rows belong to which step, and small statistics of them.

Conventions: `t_us` int64[n] never falling; `samples` uint16[n, 8], which rise as a hole is covered. A span is one
step that was done: rows `asked` to `held` are the way there, `held` to `end` the stillness that was asked for (of a
scale: all of it). Percentiles are by nearest rank. Signal-to-noise is as capacitive-sensing guides publish it: change
by the finger over peak-to-peak noise, at least 5:1.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES
from fingerlead.wire.events import RawState

# `all` is low G, every hole covered; the other kinds with a hole concern it alone, all others open.
Kind = Literal["open", "covered", "half", "all", "scale"]

PLAN: tuple[tuple[Kind, int | None], ...] = (
    ("open", None),
    *((kind, hole) for hole in range(HOLES) for kind in ("covered", "half")),
    ("all", None),
    ("scale", None),
    ("open", None),
)


@dataclass(frozen=True, slots=True)
class Span:
    """One step as it was taken. `doubted` are holes that were not as it asks for: no finger need have been there."""

    kind: Kind
    hole: int | None
    asked: int
    held: int
    end: int
    doubted: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Taken:
    """All that was taken; `full_scale` is the greatest sample that the chanter can give."""

    t_us: NDArray[np.int64]
    samples: NDArray[np.uint16]
    spans: tuple[Span, ...]
    full_scale: int = 1023

    def shows_covered(self, hole: int) -> bool:
        """Whether a step that was done has the hole covered: its own, or low G."""
        return any(
            span.hole == hole if span.kind == "covered" else span.kind == "all" and hole not in span.doubted
            for span in self.spans
        )


# Peak to peak is taken between these, so that a single spike is no noise.
LOWEST, HIGHEST = 0.005, 0.995


def at_rank(ordered: NDArray[np.uint16], share: float) -> NDArray[np.float64]:
    """The percentile of each row of `ordered` (holes, n), rising along the row, by nearest rank below."""
    return ordered[..., int(share * (ordered.shape[-1] - 1))].astype(np.float64)


def shares_of_lines(
    t_us: NDArray[np.int64], samples: NDArray[np.float64], lines_hz: tuple[int, ...]
) -> NDArray[np.float64]:
    """How much of each column's variance a sine of each frequency explains: `samples` (n, holes) to (lines, holes).

    Least squares on the stamps themselves, so that rows may be missing. A frequency that comes too near to half the
    samples' own, or is above it, explains 0.
    """
    out = np.zeros((len(lines_hz), samples.shape[1]))
    centred = samples - samples.mean(axis=0)
    total = (centred**2).sum(axis=0)
    if len(t_us) < 16:
        return out
    step_us = float(np.median(np.diff(t_us)))
    for row, line_hz in enumerate(lines_hz):
        if step_us * line_hz * 2 > 0.95e6:
            continue
        angle = (t_us - t_us[0]) * (2 * np.pi * line_hz / 1e6)
        waves = np.stack((np.cos(angle), np.sin(angle)), axis=1)
        waves -= waves.mean(axis=0)
        weights = np.linalg.lstsq(waves, centred, rcond=None)[0]
        explained = ((waves @ weights) ** 2).sum(axis=0)
        out[row] = np.divide(explained, total, out=np.zeros_like(total), where=total > 0)
    return out


NOISE_US = 250_000


class RawNoise:
    """The range of each hole's raw samples within the last quarter of a second."""

    def __init__(self) -> None:
        self._lately: deque[RawState] = deque()

    def after(self, raws: Iterable[RawState]) -> tuple[int, ...]:
        """The ranges, these having come; empty before any came."""
        lately = self._lately
        lately.extend(raws)
        while lately and lately[0].t_us < lately[-1].t_us - NOISE_US:
            lately.popleft()
        if not lately:
            return ()
        ranges: list[int] = np.ptp(np.array([raw.samples for raw in lately]), axis=0).tolist()
        return tuple(ranges)
