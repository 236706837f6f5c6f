"""The maker's arithmetic: ten minutes of raw samples at 1 kHz."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.workbench.workbench_tools import calibration

RATE_HZ = 1_000
HELD_US = 28_500_000  # each step as long as makes ten minutes of them all


def calibration_rows(best_of: Callable[[int, Callable[[], object]], float]) -> list[tuple[str, str, str]]:
    """From raw samples to levels and judgements, beside scikit-image's Otsu on the same samples alone."""
    from skimage.filters import threshold_otsu

    from fingerlead.workbench.levels import holes_of

    taken, _ = calibration(1, rate_hz=RATE_HZ, held_us=HELD_US)
    length_us = int(taken.t_us[-1])
    ours_s = best_of(7, lambda: holes_of(taken))
    otsu_s = best_of(3, lambda: [threshold_otsu(np.ascontiguousarray(column)) for column in taken.samples.T])
    return [
        (
            f"calibration: {length_us / 60e6:.1f} minutes of raw samples of eight holes at 1 kHz",
            f"{ours_s * 1e3:.0f} ms",
            f"scikit-image's Otsu alone, on the same samples: {otsu_s * 1e3:.0f} ms",
        )
    ]
