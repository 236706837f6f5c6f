"""Small pictures of progress: one for each directed change, all with the same axes, so that they compare at a glance.

Each week is a dot at the share of changes that went astray, with Wilson's interval as a line through it. The numbers
drawn stand in `data-share`, and in words in the description.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from html import escape
from typing import Any

from markupsafe import Markup

from fingering.moves import change_text
from fingerlead.phrases import capital
from fingerlead.studio.overview import monday
from fingerlead.timing.findings import share_words
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import median_interval, wilson

MOST_CHARTS = 6
MOST_WEEKS = 26
WIDTH, HEIGHT = 240, 96
LEFT, RIGHT, TOP, BOTTOM = 42, 8, 8, 20


def charts(
    by_change: Mapping[tuple[int, int], Mapping[str, Tally]],
    recent: Mapping[tuple[int, int], Tally],
    lesson: str,
    today: date,
) -> list[dict[str, Any]]:
    """One pupil's pictures: what is heard most lately and over all the weeks; `lesson` is an ISO day or none."""
    last = monday(today.isoformat())
    # A clock that was set wrong puts a session into another age: it is in the list, and not in the pictures.
    axis = [monday((today - timedelta(days=7 * back)).isoformat()) for back in reversed(range(MOST_WEEKS))]
    by_change = {
        change: shown
        for change, by_week in by_change.items()
        if (shown := {week: tally for week, tally in by_week.items() if axis[0] <= week <= last})
    }
    if not by_change:
        return []
    axis = [week for week in axis if week >= min(week for by_week in by_change.values() for week in by_week)]
    cost = {change: sum(t.heard_us for t in by_week.values()) for change, by_week in by_change.items()}
    lately = {change: tally.heard_us for change, tally in recent.items()}
    worst = sorted(by_change, key=lambda change: (-lately.get(change, 0), -cost[change], change))
    # The one that got better is as much news as the one to work on: half are chosen by all the weeks.
    by_cost = sorted(by_change, key=lambda change: (-cost[change], change))
    chosen = list(dict.fromkeys([*worst[: MOST_CHARTS // 2], *by_cost]))[:MOST_CHARTS]
    return [
        {
            "name": capital(change_text(*change)),
            "weeks": week_rows(by_change[change]),
            "svg": Markup(
                progress_svg(change_text(*change), by_change[change], axis, lesson, f"p{change[0]}{change[1]}")
            ),
        }
        for change in chosen
        if cost[change]
    ]


def progress_svg(name: str, by_week: Mapping[str, Tally], weeks: Sequence[str], lesson: str, number: str) -> str:
    """The share astray of one change week by week; `weeks` are all Mondays of the axis, `lesson` an ISO day or none."""
    inner_w, inner_h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def x(day: str) -> float:
        first, last = date.fromisoformat(weeks[0]), date.fromisoformat(weeks[-1])
        span = max((last - first).days, 7)
        return round(LEFT + (date.fromisoformat(day) - first).days / span * inner_w, 1)

    def y(share: float) -> float:
        return round(TOP + (1 - share) * inner_h, 1)

    shown = {week: tally for week, tally in by_week.items() if tally.plain}
    in_words = "; ".join(
        f"week of {_day(week)}: {tally.astray} of {tally.plain} astray" for week, tally in sorted(shown.items())
    )
    parts = [
        f'<svg class="progress" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{number}-t {number}-d">',
        f'<title id="{number}-t">{escape(name)}, share astray by week</title>',
        f'<desc id="{number}-d">{escape(in_words)}.</desc>',
    ]
    for share in (0.0, 0.5, 1.0):
        parts.append(f'<path d="M{LEFT} {y(share)}H{WIDTH - RIGHT}" class="rule"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y(share) + 4}" text-anchor="end">{share:.0%}</text>')
    if lesson >= weeks[0]:
        at = min(x(lesson), WIDTH - RIGHT)
        parts.append(f'<path d="M{at} {TOP}V{HEIGHT - BOTTOM}" class="lesson"/>')
    points = []
    for week, tally in sorted(shown.items()):
        share = tally.astray / tally.plain
        low, high = wilson(tally.astray, tally.plain)
        points.append(f"{x(week)},{y(share)}")
        parts.append(f'<path d="M{x(week)} {y(low)}V{y(high)}" class="interval"/>')
        parts.append(
            f'<circle cx="{x(week)}" cy="{y(share)}" r="3" class="dot" data-week="{week}" data-share="{share:.4f}"/>'
        )
    if len(points) > 1:
        parts.insert(-2 * len(points), f'<polyline points="{" ".join(points)}" class="line"/>')
    parts.append(f'<text x="{LEFT}" y="{HEIGHT - 5}">{_day(weeks[0])}</text>')
    parts.append(f'<text x="{WIDTH - RIGHT}" y="{HEIGHT - 5}" text-anchor="end">{_day(weeks[-1])}</text>')
    return "".join(parts) + "</svg>"


def week_rows(by_week: Mapping[str, Tally]) -> list[dict[str, str]]:
    """The same in numbers: for each week the share astray and the usual length of a stray, with their intervals."""
    return [_row(week, tally) for week, tally in sorted(by_week.items()) if tally.plain]


def _row(week: str, tally: Tally) -> dict[str, str]:
    between = median_interval(tally.strays_us)
    length = ms(tally.typical_stray_us) if tally.astray else "none"
    if tally.astray:
        length += f" ({whole_ms(between[0])} to {whole_ms(between[1])})" if between else " (too few for an interval)"
    return {
        "week": _day(week),
        "share": share_words(tally.astray, tally.plain),
        "length": length,
    }


def _day(week: str) -> str:
    at = date.fromisoformat(week)
    return f"{at.day} {at:%b}"
