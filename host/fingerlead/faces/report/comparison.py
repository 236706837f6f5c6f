"""Before and since a day, as a table of a page and as objects of the JSON; `timing.evenings` judges."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from fingering.notes import NOTES
from fingerlead.phrases import capital, counted, day_words
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.evenings import Dated, Difference, Side, What, compare_sessions, evening, what_title
from fingerlead.timing.measured_words import ms
from fingerlead.timing.movement_sums import movement_sums
from fingerlead.timing.progress import Tally, tally, together

# Fewer strays than this on either side say nothing of their usual length; our own choice.
FEWEST_STRAYS = 4
# What a table says of how it judges, in plain words.
JUDGED = (
    "Told evening by evening; the sessions of one day are an evening. If nothing had changed, the evenings before and"
    " since could as well change places. Better or worse is told where, of all ways to deal them out anew, fewer than"
    " one in twenty show so clear a difference in anything compared here (a permutation test: Fisher 1935, Westfall "
    "and Young 1993). The difference is where the true one lies 19 times in 20. Evenings are taken to be independent:"
    " a habit that drifts slowly by itself can look like a change. Not enough yet: were 30 of 100 more, or fewer, "
    "astray, it would be told of fewer than 8 in 10 pupils. An embellishment is astray where it is not as written."
)


def since_day(sessions: Iterable[Dated], divide: str) -> dict[What, Difference]:
    """Evenings with their ISO days, those before the day `divide` against the rest; undated ones count for nothing."""
    sides: tuple[list[Dated], list[Dated]] = ([], [])
    for one, day in sessions:
        if day:
            sides[day >= divide].append((one, day))
    return compare_sessions(*sides)


def divided(sessions: list[tuple[Analysis, str]], divide: str) -> dict[str, Any]:
    """The table of a report: all changes and movements before and since the ISO day `divide`, the clearest first."""
    tallies = [(tally(analysis), day) for analysis, day in sessions]
    evenings = [
        (evening(mine, movement_sums(analysis)), day)
        for (analysis, _), (mine, day) in zip(sessions, tallies, strict=True)
    ]
    found, lengths = since_day(evenings, divide), _lengths(tallies, divide)
    told = [each for each in found.items() if is_told(each[1])]
    return {
        "day": day_words(divide),
        "undated": sum(not day for _, day in sessions),
        "clean": len(found) - len(told),
        "judged": JUDGED,
        "rows": [{**difference_row(what, each), "lengths": lengths.get(what, "")} for what, each in told],
    }


def is_told(difference: Difference) -> bool:
    """Whether it belongs in a table: it went astray on one side of the day."""
    return bool(difference.before.astray or difference.after.astray)


def difference_row(what: What, difference: Difference) -> dict[str, str]:
    """A change or movement before and since a day, as a row of a table: its counts, the difference, the judgement."""
    low, high = difference.interval
    both = difference.before.evenings and difference.after.evenings
    judgement: str = difference.trend
    if judgement == "not enough yet":
        judgement += f": about {rough(difference.evenings)} evenings a side would do"
    return {
        "name": capital(what_title(what)),
        "before": _side_words(difference.before),
        "after": _side_words(difference.after),
        "interval": f"{100 * low:+.0f} to {100 * high:+.0f}" if both else "",
        "trend": difference.trend,
        "judgement": judgement,
    }


def rough(evenings: int) -> int:
    """How many evenings, with no more digits than a guess can bear."""
    return evenings if evenings < 20 else -(-evenings // 10) * 10


def progress_dicts(found: Mapping[What, Difference], who: str | None = None) -> list[dict[str, Any]]:
    """An object for each change and movement before and since a day; of a movement `to` is its melody note."""
    return [
        {
            "who": who,
            "from": None if isinstance(name, str) else NOTES[name],
            "to": NOTES[note],
            "movement": name if isinstance(name, str) else None,
            "before": _side_dict(each.before),
            "since": _side_dict(each.after),
            "difference": [round(end, 4) for end in each.interval],
            "p": round(each.chance, 5),
            "verdict": each.trend,
            "evenings_needed": each.evenings,
        }
        for (name, note), each in found.items()
    ]


def _side_words(side: Side) -> str:
    if not side.evenings:
        return "none"
    return f"{side.astray} of {side.plain} on {counted(side.evenings, 'evening')}"


def _side_dict(side: Side) -> dict[str, int]:
    return {"sessions": side.evenings, "tried": side.plain, "astray": side.astray}


def _lengths(sessions: Iterable[tuple[list[Tally], str]], divide: str) -> dict[What, str]:
    """How long a stray of each change typically is before and since, where there are enough of them on both sides."""
    sides: dict[bool, list[Tally]] = defaultdict(list)
    for tallies, day in sessions:
        if day:
            sides[day >= divide] += tallies
    before, after = together(sides[False]), together(sides[True])
    return {
        change: f"{ms(before[change].typical_stray_us)} before, {ms(after[change].typical_stray_us)} since"
        for change in before.keys() & after.keys()
        if min(before[change].astray, after[change].astray) >= FEWEST_STRAYS
    }
