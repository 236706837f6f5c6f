"""What a sensor makes of a finger's height: three kinds, and what disturbs them.

Conventions: heights in mm above the rim, below 0 while the pad is pressed; a **share** is 0 with the finger far off and
1 where it touches the rim (of pressure: where it presses for good). Every function gives the same for the same
arguments; noise comes by a seed. With z the height and r the reach, from memory where nothing else is said:

    capacitive   1 / (1 + z/r), r = 0.8 mm: the plate capacitor of any textbook; a little more as the pad flattens
    infrared     1 / (1 + (z/r)²), r = 2 mm: light that spreads from the skin, as short-range reflex sensors see it
    pressure     0 above the rim, 1 - exp(z/r) below it, r = 0.15 mm: a film under the pad
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kind = Literal["capacitive", "infrared", "pressure"]
KINDS: tuple[Kind, ...] = ("capacitive", "infrared", "pressure")
REACH_MM: dict[Kind, float] = {"capacitive": 0.8, "infrared": 2.0, "pressure": 0.15}
# A pressed pad flattens: more plate, by so much for each mm, up to a tenth.
FLATTENS, FLATTEST = 0.1, 0.1
# A low-pass filter is taken at so many of its delays, each as likely as the others.
DELAYS = 8


@dataclass(frozen=True, slots=True)
class Transducer:
    """One sensor before its converter. `rim_mm`: how much higher than the hole's own its rim stands, as it is built.

    `lag_us` is the time constant of its bandwidth. A `film` of water holds that share up after the finger has gone and
    dries with `dry_us`. `drift` is the share by which all wanders up and down in `drift_us`. `flicker` is the share of
    lamps at twice `mains_hz`, as far as no finger shades the hole; `ambient` is their steady light. A skin of another
    `reflectance` reflects so much of the infrared.
    """

    kind: Kind = "capacitive"
    reach_mm: float | None = None
    rim_mm: float = 0.0
    lag_us: float = 0.0
    film: float = 0.0
    dry_us: float = 60_000.0
    drift: float = 0.0
    drift_us: float = 600e6
    flicker: float = 0.0
    ambient: float = 0.0
    mains_hz: float = 50.0
    reflectance: float = 1.0

    @property
    def _reach_mm(self) -> float:
        return REACH_MM[self.kind] if self.reach_mm is None else self.reach_mm

    def share(self, height_mm: Floats) -> Floats:
        """The shares of heights above this hole's rim, undisturbed."""
        z = height_mm + self.rim_mm
        above, reach_mm = np.maximum(z, 0.0) / self._reach_mm, self._reach_mm
        if self.kind == "capacitive":
            out = 1 / (1 + above) + np.clip(-z * FLATTENS, 0.0, FLATTEST)
        elif self.kind == "infrared":
            out = self.reflectance / (1 + above**2)
        else:
            out = -np.expm1(np.minimum(z, 0.0) / reach_mm)
        return np.asarray(out, dtype=np.float64)

    def signal(self, t_us: Floats, height_mm: Callable[[Floats], Floats], dry_us: Callable[[Floats], Floats]) -> Floats:
        """The shares at these times; `height_mm` gives heights at any times, `dry_us` how long a hole is uncovered."""
        if self.lag_us:
            delays_us = -self.lag_us * np.log1p(-(np.arange(DELAYS) + 0.5) / DELAYS)
            out = np.mean([self._still(t_us - delay_us, height_mm, dry_us) for delay_us in delays_us], axis=0)
        else:
            out = self._still(t_us, height_mm, dry_us)
        if self.drift:
            out = out + self.drift * np.sin(2 * np.pi * t_us / self.drift_us)
        return np.asarray(out, dtype=np.float64)

    def _still(self, t_us: Floats, height_mm: Callable[[Floats], Floats], dry_us: Callable[[Floats], Floats]) -> Floats:
        out = self.share(height_mm(t_us))
        if self.film:
            out = np.maximum(out, self.film * np.exp(-dry_us(t_us) / self.dry_us))
        if self.flicker or self.ambient:
            lamp = self.ambient + self.flicker * np.sin(2 * np.pi * self.mains_hz * t_us / 1e6) ** 2
            out = out + lamp * (1 - np.minimum(out, 1.0))
        return out


def raw_samples(
    t_us: Floats,
    heights_mm: Floats,
    transducers: Sequence[Transducer],
    open_raw: Sequence[float],
    covered_raw: Sequence[float],
    noise_raw: Sequence[float],
    full_scale: int,
    seed: int = 0,
) -> NDArray[np.int32]:
    """Raw samples (n, holes) of fingers at `heights_mm` (n, holes) at rising `t_us` (n,); for judging by others.

    Between two times a height goes evenly. They are rounded, and saturate at 0 and `full_scale`.
    """
    rows = np.arange(len(t_us))
    columns = []
    for transducer, column in zip(transducers, np.ascontiguousarray(heights_mm.T), strict=True):
        last = np.maximum.accumulate(np.where(column <= 0, rows, -1))
        gone_us = np.where(last < 0, np.inf, t_us - t_us[last])
        height_mm, dry_us = partial(_between, t_us, column), partial(_at, t_us, gone_us)
        columns.append(transducer.signal(t_us, height_mm, dry_us))
    low, high = np.asarray(open_raw), np.asarray(covered_raw)
    noise = np.random.default_rng(seed).standard_normal(heights_mm.shape) * np.asarray(noise_raw)
    raw = low + np.stack(columns, axis=1) * (high - low) + noise
    samples: NDArray[np.int32] = np.clip(np.rint(raw), 0, full_scale).astype(np.int32)
    return samples


def _between(t_us: Floats, values: Floats, at_us: Floats) -> Floats:
    return np.interp(at_us, t_us, values)


def _at(t_us: Floats, values: Floats, at_us: Floats) -> Floats:
    """The value of the last time before."""
    out: Floats = values[np.maximum(np.searchsorted(t_us, at_us, side="right") - 1, 0)]
    return out
