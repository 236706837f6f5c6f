"""The pulse in sentences: the beat and how steady it was, drift, bars that rush or drag, how pairs are pointed."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from statistics import median
from typing import Literal

from fingerlead.phrases import listed
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.beats import MINUTE_US
from fingerlead.timing.pulse import OnsetOf, PairVerdict, PassPulse, PlayedPair, pulses
from fingerlead.timing.worth import Unpointed

# A bar is told where it rushes or drags in at least so many of the times it was played.
OFTEN = 0.5
_PLAYED: dict[PairVerdict, str] = {"even": "nearly even", "backwards": "backwards", "pointed": "pointed"}


def pulse_told(analysis: Analysis, onset: OnsetOf = "theme") -> list[tuple[str, list[str]]]:
    """For each music of which a pulse can be told, by its name in the session: its sentences."""
    by_name: dict[str, list[PassPulse]] = {}
    for pulse in pulses(analysis, onset):
        by_name.setdefault(analysis.musics[pulse.music].asked.name, []).append(pulse)
    return [(name, list(pulse_sentences(found))) for name, found in by_name.items()]


def pulse_sentences(found: Sequence[PassPulse]) -> Iterator[str]:
    """What there is to say of some passes, one or more, through one music."""
    yield beat_sentence(found)
    for pulse in found:
        if pulse.drifts and pulse.drift is not None:
            which = f" in pass {pulse.number}" if len(found) > 1 else ""
            yield f"It gets {'faster' if pulse.drift > 0 else 'slower'}{which}, by {abs(pulse.drift):.0f} % a minute."
    yield from bar_sentences(found)
    pairs = sorted((pair for pulse in found for pair in pulse.pairs), key=_kind)
    for (cut, written), same in groupby(pairs, key=_kind):
        yield pairs_sentence(not cut, written, list(same))


def beat_sentence(found: Sequence[PassPulse]) -> str:
    """The beat, and how far from it the notes on it lie."""
    beat_us = median(pulse.beat_us for pulse in found)
    source = "by the metronome" if all(pulse.source == "metronome" for pulse in found) else "fitted to the notes on it"
    spread_ms = max(1, round(median(pulse.spread_us for pulse in found) / 1_000))
    times = "" if len(found) == 1 else f"{len(found)} times through. "
    unsure_ms = max(1, round(max(pulse.uncertainty_us for pulse in found) / 1_000))
    return (
        f"{times}The beat, {source}: {MINUTE_US / beat_us:.0f} a minute. Half of the notes on it lie within "
        f"{spread_ms} ms; each time may be off by {unsure_ms} ms.{_lag_sentence(found)}"
    )


def _lag_sentence(found: Sequence[PassPulse]) -> str:
    """How far the notes lie behind the clicks, where they surely do."""
    clicked = [(pulse.lag_us, pulse.lag_unsure_us) for pulse in found if pulse.lag_us is not None]
    if not clicked:
        return ""
    lag_us, unsure_us = median(lag for lag, _ in clicked), max(unsure for _, unsure in clicked)
    if abs(lag_us) <= unsure_us:
        return " They come with the click, as far as can be told."
    side = "after" if lag_us > 0 else "before"
    return f" They come about {abs(lag_us) / 1_000:.0f} ms {side} the click, give or take {unsure_us / 1_000:.0f} ms."


def bar_sentences(found: Sequence[PassPulse]) -> Iterator[str]:
    """Which bars rush or drag, and by how much."""
    measured: Counter[int] = Counter()
    told: dict[Literal["rush", "drag"], dict[int, list[float]]] = {"rush": {}, "drag": {}}
    for bar, time in (each for pulse in found for each in pulse.bars):
        if bar is not None:
            measured[bar] += 1
            if time.rushes or time.drags:
                told["rush" if time.rushes else "drag"].setdefault(bar, []).append(abs(time.share))
    for how, bars in told.items():
        often = sorted(bar for bar, shares in bars.items() if len(shares) >= OFTEN * measured[bar])
        if often:
            share = median(share for bar in often for share in bars[bar])
            one = len(often) == 1
            names = f"Bar {often[0]} {how}{'es' if how == 'rush' else 's'}" if one else f"Bars {_listed(often)} {how}"
            shorter = "shorter" if how == "rush" else "longer"
            yield f"{names}: {'' if one else 'each '}about {100 * share:.0f} % {shorter} than the beat asks."


def pairs_sentence(dotted: bool, written: float, pairs: Sequence[PlayedPair]) -> str:
    """How pairs of one kind are pointed."""
    ratio = ratio_words(median(pair.played_ratio for pair in pairs))
    counts = Counter(pair.verdict for pair in pairs)
    clear = [verdict for verdict in counts if verdict != "unclear"]
    name = f"The {pairs_name(dotted)}" if len(pairs) > 1 else f"The {pairs_name(dotted)[:-1]}"
    verb = "are" if len(pairs) > 1 else "is"
    if not clear:
        return f"{name} {verb} played {ratio}, written {ratio_words(written)}: too near a limit to say how."
    if len(clear) == 1:
        left = "" if not counts["unclear"] else f" ({counts['unclear']} of {len(pairs)} cannot be told)"
        return f"{name} {verb} played {_PLAYED[clear[0]]}{left}: {ratio}, written {ratio_words(written)}."
    parts = [f"{counts[verdict]} {_PLAYED[verdict]}" for verdict in _PLAYED if counts[verdict]]
    parts += [f"{counts['unclear']} that cannot be told"] if counts["unclear"] else []
    return f"{name} are not all alike: {listed(parts)}; typically {ratio}, written {ratio_words(written)}."


def pairs_name(dotted: bool) -> str:
    """What pairs of a kind are called."""
    return f"{'dotted' if dotted else 'cut'} pairs"


def unpointed_words(pairs: Iterable[Unpointed], written: float) -> str:
    """How pairs that are not pointed were played: `played nearly even, typically 1.2 to 1, written 3 to 1`."""
    played = list(pairs)
    how = " or ".join(dict.fromkeys(_PLAYED[pair.verdict] for pair in played)) or "unpointed"
    typical = ratio_words(median(pair.played_ratio for pair in played)) if played else "otherwise"
    return f"played {how}, typically {typical}, written {ratio_words(written)}"


def ratio_words(ratio: float) -> str:
    """A ratio of long to short: `3 to 1`, `1.2 to 1`, or `1 to 2.5` where what is written long was the shorter."""
    shown = round(max(ratio, 1 / ratio), 1)
    number = f"{shown:g}"
    return f"1 to {number}" if ratio < 1 and shown > 1 else f"{number} to 1"


def _kind(pair: PlayedPair) -> tuple[bool, float]:
    """Dotted pairs come first."""
    return not pair.dotted, pair.written_ratio


def _listed(bars: Sequence[int]) -> str:
    return listed([str(bar) for bar in bars])
