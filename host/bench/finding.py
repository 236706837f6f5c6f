"""One thing that was tried on a chanter, and how it went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "bad", "not able", "not seen"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing tried, and how it went."""

    what: str
    verdict: Verdict
    sentence: str
