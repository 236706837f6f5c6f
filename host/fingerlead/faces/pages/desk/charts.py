"""Small pictures of progress: one for each change and movement, all with the same axes, to compare at a glance.

Each week is a dot at the share that went astray, or was not as written, with Wilson's interval as a line through it.
The numbers drawn stand in `data-share`, and in words in the description.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from html import escape
from typing import Any

from markupsafe import Markup

from fingerlead.faces.report.numbers import faults_words
from fingerlead.phrases import capital
from fingerlead.studio.overview import Played, monday, weight_us, what_of, wrong_of
from fingerlead.timing.evenings import What, what_title
from fingerlead.timing.findings import share_words
from fingerlead.timing.measured_words import ms, whole_ms
from fingerlead.timing.progress import Tally
from fingerlead.timing.summary import median_interval, wilson

MOST_CHARTS = 6
WIDTH, HEIGHT = 240, 96
LEFT, RIGHT, TOP, BOTTOM = 42, 8, 8, 20


def charts(
    by_what: Mapping[What, Mapping[str, Played]],
    recent: Iterable[Played],
    since: str,
    divide: str,
) -> list[dict[str, Any]]:
    """One pupil's pictures: what weighs most lately and over all the weeks.

    The weeks are those of the span that is compared: from the ISO day `since` on, divided at `divide`.
    """
    if not by_what:
        return []
    first, last = date.fromisoformat(monday(since)), max(week for by_week in by_what.values() for week in by_week)
    weeks = (date.fromisoformat(last) - first).days // 7
    axis = [(first + timedelta(days=7 * week)).isoformat() for week in range(weeks + 1)]
    cost = {what: sum(map(weight_us, by_week.values())) for what, by_week in by_what.items()}
    lately = {what_of(played): weight_us(played) for played in recent}
    worst = sorted(by_what, key=lambda what: (-lately.get(what, 0), -cost[what], str(what)))
    # The one that got better is as much news as the one to work on: half are chosen by all the weeks.
    by_cost = sorted(by_what, key=lambda what: (-cost[what], str(what)))
    chosen = list(dict.fromkeys([*worst[: MOST_CHARTS // 2], *by_cost]))[:MOST_CHARTS]
    return [
        {
            "name": capital(what_title(what)),
            "weeks": week_rows(by_what[what]),
            "shares": _wrong(next(iter(by_what[what].values()))),
            "svg": Markup(progress_svg(what_title(what), by_what[what], axis, divide, f"p{number}")),
        }
        for number, what in enumerate(chosen)
        if cost[what]
    ]


def _wrong(played: Played) -> str:
    """What it means that one went wrong."""
    return "astray" if isinstance(played, Tally) else "not as written"


def progress_svg(name: str, by_week: Mapping[str, Played], weeks: Sequence[str], lesson: str, number: str) -> str:
    """The share that went wrong week by week; `weeks` are all Mondays of the axis, `lesson` an ISO day or none."""
    inner_w, inner_h = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def x(day: str) -> float:
        first, last = date.fromisoformat(weeks[0]), date.fromisoformat(weeks[-1])
        span = max((last - first).days, 7)
        return round(LEFT + (date.fromisoformat(day) - first).days / span * inner_w, 1)

    def y(share: float) -> float:
        return round(TOP + (1 - share) * inner_h, 1)

    shown = {week: wrong_of(played) for week, played in sorted(by_week.items()) if wrong_of(played)[1]}
    kind = _wrong(next(iter(by_week.values())))
    in_words = "; ".join(f"week of {_day(week)}: {wrong} of {of} {kind}" for week, (wrong, of) in shown.items())
    parts = [
        f'<svg class="progress" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{number}-t {number}-d">',
        f'<title id="{number}-t">{escape(name)}, share {kind} by week</title>',
        f'<desc id="{number}-d">{escape(in_words)}.</desc>',
    ]
    for share in (0.0, 0.5, 1.0):
        parts.append(f'<path d="M{LEFT} {y(share)}H{WIDTH - RIGHT}" class="rule"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y(share) + 4}" text-anchor="end">{share:.0%}</text>')
    if lesson >= weeks[0]:
        at = min(x(lesson), WIDTH - RIGHT)
        parts.append(f'<path d="M{at} {TOP}V{HEIGHT - BOTTOM}" class="lesson"/>')
    points = []
    for week, (wrong, of) in shown.items():
        share = wrong / of
        low, high = wilson(wrong, of)
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


def week_rows(by_week: Mapping[str, Played]) -> list[dict[str, str]]:
    """The same in numbers: for each week the share and its interval; of a change how long a stray usually is, of a
    movement what was not as written most.
    """
    return [_row(week, played) for week, played in sorted(by_week.items()) if wrong_of(played)[1]]


def _row(week: str, played: Played) -> dict[str, str]:
    beside = _usual_stray(played) if isinstance(played, Tally) else faults_words(played) or "nothing"
    return {"week": _day(week), "share": share_words(*wrong_of(played)), "length": beside}


def _usual_stray(tally: Tally) -> str:
    between = median_interval(tally.strays_us)
    length = ms(tally.typical_stray_us) if tally.astray else "none"
    if tally.astray:
        length += f" ({whole_ms(between[0])} to {whole_ms(between[1])})" if between else " (too few for an interval)"
    return length


def _day(week: str) -> str:
    at = date.fromisoformat(week)
    return f"{at.day} {at:%b}"
