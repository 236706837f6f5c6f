"""An engine of one loud square wave, which another process can make: nothing but the standard library."""

from __future__ import annotations

from array import array


class SquareEngine:
    """Sounds 1 kHz while a mask above 0 is covered; a change lies at its very frame."""

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz, self.frame = rate_hz, 0
        self.told: list[tuple[int, int | None]] = []
        self.mask: int | None = None

    def cover(self, covered_mask: int | None, at_frame: int) -> None:
        self.told.append((max(at_frame, self.frame), covered_mask))

    def render(self, frames: int) -> array:
        samples = array("f", bytes(4 * frames))
        half = self.rate_hz // 2_000
        for place in range(frames):
            while self.told and self.told[0][0] <= self.frame:
                self.mask = self.told.pop(0)[1]
            samples[place] = 0.0 if not self.mask else 0.1 if self.frame // half % 2 else -0.1
            self.frame += 1
        return samples

    def fail(self) -> None:
        """Be an engine that is broken."""
        self.render = None  # type: ignore[assignment,method-assign]


def refusing_engine(rate_hz: int) -> SquareEngine:
    raise ValueError(f"expected a rate that suits; got {rate_hz}")
