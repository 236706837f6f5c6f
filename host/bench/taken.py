"""What a calibration took: raw samples over time, and which rows of them belong to which step.

Conventions: `t_us` int64[n] never falling; `samples` uint16[n, 8], which rise as a hole is covered. A span is one step:
rows `asked` to `held` are the way there, `held` to `end` the stillness that was asked for (of a scale: all of it).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from fingering.holes import HOLES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
    """One step as it was taken."""

    kind: Kind
    hole: int | None
    asked: int
    held: int
    end: int


@dataclass(frozen=True, slots=True)
class Taken:
    """All that was taken; `full_scale` is the greatest sample that the chanter can give."""

    t_us: NDArray[np.int64]
    samples: NDArray[np.uint16]
    spans: tuple[Span, ...]
    full_scale: int = 1023
