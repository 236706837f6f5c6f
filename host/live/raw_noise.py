"""How noisy the holes' raw samples are while somebody looks at them: one rule for terminal and page."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from host.wire.events import RawState

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
