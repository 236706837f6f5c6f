"""The pulse of a session on the report: its sentences, and a picture of onsets by bar against the beat.

A row for each bar, a line for each beat: a hollow mark is where a note is written, a dot where it began, small between
the beats. A dot to the right of its mark came late. In ink alone, as the finger strip is.
"""

from itertools import groupby
from typing import Any

from markupsafe import Markup

from fingerlead.faces.words import music_name
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.pulse import OnsetOf, PassPulse, PlacedOnset, pulses
from fingerlead.timing.pulse_words import pulse_told

# Of one pass so many bars are drawn: what a page holds.
MOST_BARS = 40
# As wide as a phone, so that its words are as large there as those around it.
LABELS, LANES, NOTES = 44, 222, 94
TOP, LANE = 20, 16
# Room on both sides of a bar, in beats, for what comes early or late.
ROOM = 0.35


def pulse_page(analysis: Analysis, onset: OnsetOf = "theme", most_bars: int = MOST_BARS) -> list[dict[str, Any]]:
    """What the page shows of each music of which a pulse can be told: of its passes, that with most notes is drawn."""
    found = pulses(analysis, onset)
    shown = []
    for name, sentences in pulse_told(analysis, onset):
        passes = [one for one in found if analysis.musics[one.music].asked.name == name]
        drawn = max(passes, key=lambda one: len(one.onsets))
        svg, more = pulse_svg(analysis, drawn, most_bars)
        shown.append(
            {
                "name": music_name(name),
                "words": sentences,
                # Made here from numbers alone.
                "svg": Markup(svg),
                "of_pass": drawn.number if len(passes) > 1 else 0,
                "more": more,
            }
        )
    return shown


def pulse_svg(analysis: Analysis, pulse: PassPulse, most_bars: int = MOST_BARS) -> tuple[str, int]:
    """The picture of a pass, and how many bars more there are."""
    bars = [(bar, list(onsets)) for bar, onsets in groupby(pulse.onsets, key=lambda one: one.bar)]
    drawn = bars[:most_bars]
    beats = max(1, *(int(one.into) + 1 for _, onsets in drawn for one in onsets))
    each = LANES / (beats + 2 * ROOM)
    height = TOP + LANE * len(drawn) + 8
    box = f"0 0 {LABELS + LANES + NOTES} {height}"
    # What makes a PDF draws it without the page's style.
    type_ = 'font-size="12" font-family="sans-serif"'
    parts = [f'<svg class="pulse" viewBox="{box}" {type_} role="img" aria-label="{_in_words(drawn)}">']
    for beat in range(beats):
        x = LABELS + (beat + ROOM) * each
        line = f'x="{x - 0.3:.1f}" y="{TOP - 2}" width="0.6" height="{height - TOP - 4}"'
        parts.append(f'<rect {line} class="soft" fill="#999"/>')
        parts.append(f'<text x="{x:.1f}" y="{TOP - 7}" text-anchor="middle" class="soft">{beat + 1}</text>')
    told = {time.bar: time for _, time in pulse.bars}
    for row, (bar, onsets) in enumerate(drawn):
        y = TOP + LANE * row + LANE / 2
        written = _number(analysis, pulse, onsets[0])
        parts.append(f'<text x="0" y="{y + 4}" class="soft">{"" if written is None else f"bar {written}"}</text>')
        parts += [_mark(one, LABELS + ROOM * each, each, y, pulse.beat_us) for one in onsets]
        time = told.get(bar)
        if time is not None and (time.rushes or time.drags):
            how = "rushes" if time.rushes else "drags"
            words = f"{how} {100 * abs(time.share):.0f} %"
            parts.append(f'<text x="{LABELS + LANES + 6}" y="{y + 4}" class="told">{words}</text>')
    return "".join(parts) + "</svg>", len(bars) - len(drawn)


def _mark(one: PlacedOnset, left: float, each: float, y: float, beat_us: int) -> str:
    """Where a note is written, and where it began; what is further off than half a beat stops there."""
    off = min(max(one.off_us / beat_us, -0.5), 0.5)
    x, size = left + one.into * each, 3.5 if one.into == int(one.into) else 2.2
    written = f'<rect x="{x - 0.7:.1f}" y="{y - 5}" width="1.4" height="10" class="written"/>'
    return f'{written}<circle cx="{x + off * each:.1f}" cy="{y}" r="{size}"/>'


def _number(analysis: Analysis, pulse: PassPulse, onset: PlacedOnset) -> int | None:
    """A bar's number, as players count."""
    at = analysis.held[onset.number].written
    return None if at is None else analysis.musics[pulse.music].notes[at.number].bar


def _in_words(bars: list[tuple[int, list[PlacedOnset]]]) -> str:
    """The picture for those who do not see it."""
    offs = [one.off_us for _, onsets in bars for one in onsets]
    early, late = -min(offs) // 1_000, max(offs) // 1_000
    return (
        f"Onsets against the beat, {len(bars)} bars: the earliest {max(early, 0)} ms ahead of its place, "
        f"the latest {max(late, 0)} ms after it"
    )
