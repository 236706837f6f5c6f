"""How a finger comes and goes: its height over the rim of its hole, and the instant at which the hole seals.

The judge of finger times: nothing here is shared with the program's own simulation, nor written after it.

Conventions: one row for each move. Times float µs on the chanter's clock, heights float mm over the rim: 0 where the
skin just touches it, below 0 where the pad is pressed. `truth_us` is the instant at which the sound of the hole
changes: when the last leak closes to `seal_mm`, or the first one opens to it. No published value of that height is
known: 0.2 mm is from memory, and so is all else here but the shape of the way (minimum jerk: T. Flash and N. Hogan,
Journal of Neuroscience 5(7), 1985).

- A finger is lifted to `top_mm` in `travel_us`, or comes down from there. It is pressed in by up to `press_mm` after.
- A *strike* aims below the rim and is stopped by it; the other ways come to rest.
- A *damp* finger leaves `water_mm` of water on the rim: lifted, it is seen lower by as much until it is free of it.
- A *hesitating* finger slows down to a standstill `pause_mm` up, always above its seal, and is `pause_us` later for it.
- A *rolling* finger opens one side first, and closes one side last: its two sides are `roll_us` apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MINIMUM_JERK, EVEN_SWING, STRIKE = range(3)
_BELOW = 0.35  # a strike aims so far below the rim, as a share of its way


def minimum_jerk(tau: Floats) -> Floats:
    """From rest to rest with the least jerk: the share of the way that is done at a share of the time."""
    return tau**3 * (10 - 15 * tau + 6 * tau**2)


_TAU = np.linspace(0.0, 1.0, 4097)
_HITS = float(np.interp(1 / (1 + _BELOW), minimum_jerk(_TAU), _TAU))  # when a strike is stopped


def opened(way: int, tau: Floats) -> Floats:
    """How far a finger is up, as a share of its top, at a share of its travel's time away from the rim."""
    if way == MINIMUM_JERK:
        return minimum_jerk(tau)
    if way == EVEN_SWING:
        return np.asarray((1 - np.cos(np.pi * tau)) / 2)
    return 1 - (1 + _BELOW) * minimum_jerk((1 - tau) * _HITS)


@dataclass(frozen=True, slots=True)
class Moves:
    """Moves of fingers, a row each. All arrays have the shape (n,)."""

    hole: NDArray[np.int64]
    lift: NDArray[np.bool_]
    truth_us: Floats
    seal_mm: Floats
    travel_us: Floats
    top_mm: Floats
    press_mm: Floats
    press_us: Floats  # how quickly the pad is pressed in after it has arrived
    roll_us: Floats
    way: NDArray[np.int64]
    water_mm: Floats
    pause_us: Floats
    pause_mm: Floats

    def heights_mm(self, t_us: Floats) -> Floats:
        """The height that a sensor below the hole sees, the mean of the pad's two sides; t_us (n, m), row by row."""
        near, far = self._side_mm(t_us, 0.0), self._side_mm(t_us, 1.0)
        height = (near + far) / 2
        wet = np.where(self.lift, self.water_mm, 0.0)[:, None]
        return np.where(height > 0, np.maximum(height - wet, 0.0), height)

    def deciding_mm(self, t_us: Floats) -> Floats:
        """The height of the side that decides the seal: lifting, the first to open; covering, the last to close."""
        return self._side_mm(t_us, 0.0)

    def _side_mm(self, t_us: Floats, which: float) -> Floats:
        # The side that decides is at seal_mm at truth_us; the other one opens later, and closes earlier.
        sign = np.where(self.lift, 1.0, -1.0)[:, None]
        begun = self._began_us()[:, None] + which * sign * self.roll_us[:, None]
        t_us = self._without_pause_us(t_us, begun)
        tau = np.clip((t_us - begun) / self.travel_us[:, None], 0.0, 1.0)
        up = np.where(self.lift[:, None], tau, 1.0 - tau)
        height = np.empty_like(up)
        for way in np.unique(self.way):
            rows = self.way == way
            height[rows] = self.top_mm[rows, None] * opened(way, up[rows])
        return height - self._pressed_mm(t_us, begun, tau)

    def _without_pause_us(self, t_us: Floats, begun: Floats) -> Floats:
        """When the finger would be there without its pause: what lies on the seal's side of that is as it was."""
        if not self.pause_us.any():
            return t_us
        pause, lift = self.pause_us[:, None], self.lift[:, None]
        tau = self._tau_at(self.pause_mm)[:, None]
        stands_us = begun + tau * self.travel_us[:, None]
        # Its pace goes down to nothing evenly, and up again: not before a lift's seal, nor after a covering's.
        slows = np.maximum(0.25 * np.minimum(pause, self.travel_us[:, None]), 1.0)
        seals_us, whole = self.truth_us[:, None], pause + slows
        begins_us = np.where(
            lift,
            np.maximum(stands_us - slows / 2, seals_us),
            np.minimum(stands_us - slows / 2 - pause, seals_us - whole),
        )
        x = np.clip(t_us - begins_us, 0.0, whole)
        lost = np.where(x < slows, x**2 / (2 * slows), np.minimum(x - slows / 2, pause))
        lost = np.where(x > whole - slows, pause - (whole - x) ** 2 / (2 * slows), lost)
        return np.asarray(t_us - np.where(lift, lost, lost - pause))

    def _tau_at(self, height_mm: Floats) -> Floats:
        """At which share of its travel's time each finger is so high."""
        share = height_mm / self.top_mm
        taus = np.empty(len(share))
        for way in np.unique(self.way):
            rows = self.way == way
            taus[rows] = np.interp(share[rows], opened(way, _TAU), _TAU)
        return np.where(self.lift, taus, 1.0 - taus)

    def _pressed_mm(self, t_us: Floats, begun: Floats, tau: Floats) -> Floats:
        """How far the pad is pressed in: let go before the finger leaves, built up after it has come."""
        arrived = begun + self.travel_us[:, None]
        gone_us = np.where(self.lift[:, None], begun - t_us, t_us - arrived)
        depth: Floats = self.press_mm[:, None] * (1 - np.exp(-np.maximum(gone_us, 0.0) / self.press_us[:, None]))
        return np.where(self.lift[:, None] & (tau > 0), 0.0, depth)

    def _began_us(self) -> Floats:
        """When the travel of the deciding side begins, so that it is at the sealing height at truth_us."""
        began: Floats = self.truth_us - self._tau_at(self.seal_mm) * self.travel_us
        return began
