"""What the bench tells, as messages for its page: `stage`, the whole of what is going on, and `holes`, raw samples.

A message `holes` gives way to a newer one on its way to a page that is slow (`host.live.hub`).
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from fingering.holes import FINGERS
from host.bench.skew import FRONT
from host.live.bench_stage import Samples, Stage

if TYPE_CHECKING:
    from host.bench.skew import Skew
    from host.bench.thresholds import HoleReport


def message_of(told: Stage | Samples) -> dict[str, Any]:
    """As a page gets it."""
    if isinstance(told, Samples):
        return {"kind": "holes", **asdict(told)}
    return {
        "kind": "stage",
        "chanter": told.chanter,
        "fingers": FINGERS,
        "job": told.job,
        "last": told.last,
        "run": told.run,
        "step": None if told.step is None else asdict(told.step),
        "levels": told.levels,
        "full_scale": told.full_scale,
        "counts": told.counts,
        "moved": told.moved,
        "reports": [_report(report) for report in told.reports],
        "skew": None if told.skew is None else _skew(told.skew),
        "sentences": [_sentence(text) for text in told.sentences],
        "trouble": told.trouble,
        "given": told.given,
    }


def _report(report: HoleReport) -> dict[str, Any]:
    swing = max(abs(report.separation), 1.0)
    return {
        "finger": FINGERS[report.hole],
        "verdict": report.verdict,
        "words": report.words,
        "open": round(report.open_raw),
        "covered": round(report.covered_raw),
        "half": None if report.half is None else round(100 * report.half),
        "times_noise": round(report.snr),
        "drift": round(100 * report.drift_raw / swing),
        "crosstalk": round(100 * max(report.crosstalk, 0.0)),
        "uncover_at": report.uncover_at,
        "cover_at": report.cover_at,
    }


def _skew(skew: Skew) -> list[dict[str, Any]]:
    return [
        # Plus nought, so that nothing is minus nought.
        {"finger": FINGERS[hole], "later_ms": round(one / 1_000, 1) + 0.0, "lift_ms": round(bias / 1_000, 1) + 0.0}
        for hole, one, bias in zip(FRONT, skew.skew_us, skew.bias_us, strict=True)
    ]


def _sentence(text: str) -> str:
    """Refusals begin small and end open, as a terminal shows them after its own word. A port keeps its name."""
    begin = text[:1].upper() if text.partition(" ")[0].isalpha() else text[:1]
    return begin + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
