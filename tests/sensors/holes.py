"""Eight holes and their sensors: from the heights of fingers to the raw samples of a chanter, good and bad.

The judge's own: it shares nothing with the program's simulation. Signals, 1 where a finger lies on a flush sensor:

- *capacitive*: 1 / (1 + z / z0), the plate capacitor's law, z0 about 0.8 mm.
- *infrared*: the light that comes back, as the skin reflects and (1 + z / z1)⁻² lets it, z1 about 2 mm (from
  memory). Where no finger lies, the room's light enters, and flickers at twice the mains.
- *pressure*: nothing before the skin is pressed; then depth / (depth + 0.15 mm) (from memory).

`rim_mm` is how far a hole's rim stands over its sensor: the sensor sees the finger that much further away. What makes
a sensor bad is a field of its own, 0 where there is nothing of it. Shares are of the swing, from an open hole to a
covered one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tests.sensors.fingers import Floats

HOLES = 8
FULL_SCALE = 1023
Kind = Literal["capacitive", "infrared", "pressure"]
FAR_MM = 15.0


def _all(value: float) -> Floats:
    return np.full(HOLES, value)


@dataclass(frozen=True, slots=True)
class Sensors:
    """The sensors of one chanter; arrays by hole, shape (8,)."""

    kind: Kind = "capacitive"
    reach_mm: Floats = field(default_factory=lambda: _all(0.8))  # z0 or z1
    rim_mm: Floats = field(default_factory=lambda: _all(0.0))
    seal_mm: Floats = field(default_factory=lambda: _all(0.2))
    reflects: Floats = field(default_factory=lambda: _all(1.0))  # skin, of infrared
    low_raw: Floats = field(default_factory=lambda: _all(100.0))  # signal 0
    high_raw: Floats = field(default_factory=lambda: _all(900.0))  # signal 1
    noise: float = 0.003  # standard deviation, a share of the swing
    lag_us: Floats = field(default_factory=lambda: _all(300.0))  # of the first-order low pass
    crosstalk: float = 0.0
    wander: float = 0.0  # how far all holes have gone since they were calibrated, by warmth: a share of the swing
    # What makes it bad, by hole.
    light: Floats = field(default_factory=lambda: _all(0.0))  # amplitude of the flicker, as a share
    light_hz: float = 100.0
    steady: Floats = field(default_factory=lambda: _all(0.0))  # light that does not flicker, as a share
    drift: Floats = field(default_factory=lambda: _all(0.0))  # reached after drift_us
    drift_us: float = 60e6
    film: Floats = field(default_factory=lambda: _all(0.0))  # share that stays at a lift
    drying_us: float = 800_000.0
    trembling: Floats = field(default_factory=lambda: _all(0.0))  # more noise, as a share

    def signal(self, height_mm: Floats, holes: NDArray[np.int64]) -> Floats:
        """The signal of a finger so high over these holes; height (n, m), holes (n,)."""
        reach, rim = self.reach_mm[holes][:, None], self.rim_mm[holes][:, None]
        depth = np.maximum(-height_mm, 0.0)
        if self.kind == "pressure":
            return np.asarray(depth / (depth + 0.15))
        gap = (np.maximum(height_mm, 0.0) + rim) / reach
        if self.kind == "infrared":
            return np.asarray(self.reflects[holes][:, None] / (1 + gap) ** 2)
        # A pad that is pressed in lies on more of the electrode.
        return np.asarray((1 + 0.08 * np.minimum(depth / 0.3, 1.0)) / (1 + gap))

    def at_rest(self) -> tuple[Floats, Floats]:
        """The signal of each hole with the finger far off, and lying on it as in playing."""
        holes = np.arange(HOLES)
        return self.signal(np.full((HOLES, 1), 10.0), holes)[:, 0], self.signal(np.full((HOLES, 1), -0.2), holes)[:, 0]

    def light_at(self, t_us: Floats, height_mm: Floats, holes: NDArray[np.int64]) -> Floats:
        """What the room's light adds to the signal: none comes past a finger that lies on the hole."""
        open_signal, covered = self.at_rest()
        waves, even = (((lit * (covered - open_signal))[holes])[:, None] for lit in (self.light, self.steady))
        if not waves.any() and not even.any():
            return np.zeros(t_us.shape)
        enters = np.maximum(height_mm, 0.0) / (np.maximum(height_mm, 0.0) + 1.0)
        return np.asarray(enters * (even + waves * (1 + np.cos(2 * np.pi * self.light_hz * t_us / 1e6))))

    def raw(self, signal: Floats, chance: np.random.Generator) -> NDArray[np.int64]:
        """Raw counts of signals (…, 8), with noise, kept within the converter's range."""
        open_signal, covered = self.at_rest()
        noise = (self.noise + self.trembling) * (covered - open_signal)
        noisy = signal + chance.normal(size=signal.shape) * noise
        counts = self.low_raw + (self.high_raw - self.low_raw) * noisy
        return np.clip(np.rint(counts), 0, FULL_SCALE).astype(np.int64)


def low_pass(signal: Floats, lag_us: Floats, step_us: float) -> Floats:
    """A first-order low pass of (n, m, 8) along the samples: exact for what is straight between two of them."""
    a = np.exp(-step_us / np.maximum(lag_us, 1.0))
    late = lag_us / step_us * (1 - a)
    out = np.empty_like(signal)
    out[:, 0] = signal[:, 0]
    for at in range(1, signal.shape[1]):
        out[:, at] = a * out[:, at - 1] + (late - a) * signal[:, at - 1] + (1 - late) * signal[:, at]
    return out


def draw(kind: Kind, chance: np.random.Generator, uneven_mm: float = 0.3) -> Sensors:
    """A chanter as it comes out of a workshop: rims, seals, gains and skin that differ from hole to hole."""
    reach = {"capacitive": 0.8, "infrared": 2.0, "pressure": 1.0}[kind]
    return Sensors(
        kind=kind,
        reach_mm=reach * chance.uniform(0.85, 1.15, HOLES),
        rim_mm=chance.uniform(0.0, uneven_mm, HOLES),
        seal_mm=np.clip(chance.uniform(0.0, 0.5) + chance.uniform(-0.1, 0.1, HOLES), 0.0, 0.5),
        reflects=chance.uniform(0.75, 1.0, HOLES),
        low_raw=chance.uniform(40.0, 160.0, HOLES),
        high_raw=chance.uniform(750.0, 930.0, HOLES),
        noise=float(chance.uniform(0.001, 0.006)),
        lag_us=_all(float({"capacitive": chance.uniform(200, 1200), "infrared": 100.0, "pressure": 3000.0}[kind])),
    )


def elsewhere(sensors: Sensors, chance: np.random.Generator) -> Sensors:
    """The same chanter some time after its calibration, and in another room.

    Its samples have wandered by some 2 % of the swing; a lamp shines on what sees light, as brightly as may be before
    the open samples have risen by a quarter of it, which is told as drift.
    """
    later = replace(sensors, wander=float(chance.normal(0.0, 0.02)))
    if sensors.kind != "infrared":
        return later
    return replace(later, steady=chance.uniform(0.0, 0.27) * chance.uniform(0.7, 1.0, HOLES))


def spoilt(sensors: Sensors, hole: int, **bad: float) -> Sensors:
    """The same chanter with one hole's sensor bad: light, drift, film or trembling, each a share of the swing."""
    arrays = {}
    for name, value in bad.items():
        values = getattr(sensors, name)
        if isinstance(values, float):
            arrays[name] = value
            continue
        arrays[name] = values.copy()
        arrays[name][hole] = value
    return replace(sensors, **arrays)
