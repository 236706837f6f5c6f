"""The rig's page: a plot of each hole's errors over the time and over the travel, and the figures beside it."""

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from fingering.holes import FINGERS
from fingerlead.faces.strip_svg import look
from fingerlead.faces.templates import templates
from fingerlead.phrases import capital
from fingerlead.workbench.rig import Estimate, RigResult, class_words

# Of a plot, in its own units.
WIDE, HIGH, LEFT, TOP, RIGHT, BOTTOM = 360, 220, 46, 10, 16, 34
MOST_POINTS = 600  # of one plot; more are thinned out evenly


def figure_text(figure: Estimate) -> str:
    """A figure in milliseconds with its interval: `+1.20 (+1.10 to +1.30)`."""
    value, low, high = (number / 1_000 for number in figure)
    return f"{value:+.2f} ({low:+.2f} to {high:+.2f})"


def render(result: RigResult, names: Sequence[str]) -> str:
    """The page as HTML; `names` are those of the logs. All text is escaped but for the plots, which are made here."""
    holes = sorted({row.hole for row in result.rows})
    return templates("fingerlead.faces.report").get_template("rig.html").render(
        names=names,
        notes=result.notes,
        holes=[
            {
                "finger": capital(FINGERS[hole]),
                "rows": [
                    {
                        "motion": "lift" if row.motion == "lift" else "covering",
                        "travel": class_words(row.class_us),
                        "counts": (row.moves, row.missed, row.extra),
                        "figures": [
                            figure_text(figure) for figure in (row.bias_us, row.spread_us, row.drift_us_per_minute)
                        ],
                    }
                    for row in result.rows
                    if row.hole == hole
                ],
                # Made here, from numbers alone.
                "plots": [Markup(plot) for plot in _plots(result, hole)],
            }
            for hole in holes
        ],
    )  # fmt: skip


def _plots(result: RigResult, hole: int) -> list[str]:
    """Errors over time, and over travel where it was logged."""
    t_s = np.concatenate([log.t_us / 1e6 for log in result.logs])
    travel_ms = np.concatenate([log.travel_us / 1e3 for log in result.logs])
    error_ms = np.concatenate([log.error_us / 1e3 for log in result.logs])
    lift = np.concatenate([log.lift for log in result.logs])
    own = (np.concatenate([log.hole for log in result.logs]) == hole) & np.isfinite(error_ms)
    plots = [(t_s, own, "time in the log, s")]
    known = own & np.isfinite(travel_ms)
    if known.any():
        plots.append((travel_ms, known, "travel, ms"))
    return [
        plot(across[rows], error_ms[rows], lift[rows], words, f"{FINGERS[hole]}, {words}")
        for across, rows, words in plots
    ]


def plot(across: np.ndarray, error_ms: np.ndarray, lift: np.ndarray, words: str, title: str) -> str:
    """Points as SVG: hollow circles for lifts, full squares for coverings; a line where the chanter is right."""
    few = np.unique(np.linspace(0, len(across) - 1, min(len(across), MOST_POINTS)).astype(int))
    across, error_ms, lift = across[few], error_ms[few], lift[few]
    ends = (
        _round_ends(0.0, float(across.max())),
        _round_ends(min(float(error_ms.min()), 0.0), max(float(error_ms.max()), 0.0)),
    )
    (left, right, step_x), (low, high, step_y) = ends

    def x(value: float) -> float:
        return round(LEFT + (value - left) / (right - left) * (WIDE - LEFT - RIGHT), 1)

    def y(value: float) -> float:
        return round(HIGH - BOTTOM - (value - low) / (high - low) * (HIGH - TOP - BOTTOM), 1)

    marks = f"{look('ms')} text-anchor"
    parts = [
        f'<svg class="strip" viewBox="0 0 {WIDE} {HIGH}" font-size="12" role="img" '
        f'aria-label="Errors of the {title}: from '
        f'{error_ms.min():+.2f} to {error_ms.max():+.2f} ms">',
        f'<path {look("bound")} d="M{LEFT} {y(0.0)}H{WIDE - RIGHT}"/>',
    ]
    for value in np.arange(left, right + step_x / 2, step_x):
        parts.append(f'<text {marks}="middle" x="{x(value)}" y="{HIGH - BOTTOM + 14}">{value:g}</text>')
    for value in np.arange(low, high + step_y / 2, step_y):
        number = f"{value:+.3g}" if abs(value) > step_y / 4 else "0"
        parts.append(f'<text {marks}="end" x="{LEFT - 6}" y="{y(value) + 4}">{number}</text>')
    for at, error, up in zip(across.tolist(), error_ms.tolist(), lift.tolist(), strict=True):
        parts.append(
            f'<circle {look("ahead")} cx="{x(at)}" cy="{y(error)}" r="2.4"/>'
            if up
            else f'<rect class="ink" x="{x(at) - 2}" y="{y(error) - 2}" width="4" height="4"/>'
        )
    parts.append(f'<text {marks}="middle" x="{(LEFT + WIDE) / 2}" y="{HIGH - 4}">{words}</text>')
    return "".join(parts) + "</svg>"


def _round_ends(low: float, high: float) -> tuple[float, float, float]:
    """Round ends around a range, and the step between labels: at most six of them."""
    span = max(high - low, 1e-3)
    step = 10 ** np.floor(np.log10(span / 4))
    step = float(next(step * by for by in (1, 2, 5, 10) if span / (step * by) <= 5))
    return float(np.floor(low / step) * step), float(np.ceil(high / step) * step or step), step
