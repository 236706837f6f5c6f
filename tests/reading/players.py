"""Invented players, with the truth of what they play written beforehand: a second model, to judge the reading by.

It shares no code with the program: fingerings, movements and the rule of what sounds are written here again, from what
the trade says. The same seed gives the same performance. Notes are 0 (low G) to 8 (high A), times are µs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

from tests.reading.hands import Hands, Performance, Written
from tests.reading.instrument import LETTERS, STANDARD, edges_of, movers, run_fingers
from tests.reading.repertoire import Movement


def _melody(notes: Iterable[int]) -> list[Written]:
    return [Written(note) for note in notes]


def run_player(before: int, after: int, run_us: int, seed: int, rounds: int = 8) -> Performance:
    """A beginner between two notes: in each change a run of `run_us`, by each finger that can make one in turn."""
    random = Random(f"run {before} {after} {run_us} {seed}")
    hands = Hands(random, STANDARD[before])
    turns = {
        pair: random.sample(run_fingers(*pair), len(run_fingers(*pair))) for pair in pairwise((before, after, before))
    }
    notes = [before, after] * rounds
    hands.hold(before, random.uniform(4e5, 1.5e6), 0)
    for index, pair in enumerate(pairwise(notes)):
        finger, way, _ = turns[pair][index // 2 % len(turns[pair])]
        hands.change_with_run(pair[1], finger, way, run_us)
        hands.hold(pair[1], random.uniform(4e5, 1.5e6), index + 1, finger=finger, way=way)
    return hands.finish(_melody(notes))


def together_player(music: Sequence[int], spread_us: int, seed: int, at_least_us: int = 0) -> Performance:
    """Fingers in an order without a run, in each change apart by `at_least_us` to `spread_us`: well, or rolled."""
    random = Random(f"together {spread_us} {seed}")
    hands = Hands(random, STANDARD[music[0]])
    for index, note in enumerate(music):
        hands.change(note, random.uniform(at_least_us, spread_us))
        hands.hold(note, random.uniform(3e5, 9e5), index)
    return hands.finish(_melody(music))


def movement_player(
    movements: Sequence[Movement], grace_us: int, inner_us: int, scatter_us: int = 4_000, seed: int = 0
) -> Performance:
    """Melody notes with movements between them, well played; from one movement to the next a plain change."""
    random = Random(f"movements {grace_us} {inner_us} {seed}")
    hands = Hands(random, STANDARD[movements[0].before])
    music: list[Written] = []

    def hold(note: int, movement: Movement | None = None) -> None:
        hands.hold(note, max(250_000, random.uniform(4, 8) * inner_us), len(music), movement=movement)
        music.append(Written(note, movement))

    hold(movements[0].before)
    for movement in movements:
        if music[-1].note != movement.before:
            hands.change(movement.before, random.uniform(0, 10_000))
            hold(movement.before)
        hands.play(movement, grace_us, inner_us, scatter_us)
        hold(movement.after, movement)
    return hands.finish(music)


def listless(seed: int, count: int = 300) -> Performance:
    """A fast reel played freely, 100 to 200 ms a note; about one change in twelve has a run of 15 to 39 ms."""
    random = Random(f"listless {seed}")
    notes = [random.randrange(9)]
    while len(notes) < count:
        notes.append(random.choice([note for note in range(9) if note != notes[-1]]))
    lengths_us = [random.uniform(1e5, 2e5) for _ in notes]
    turns: dict[int, tuple[int, str, int]] = {}
    for index, pair in enumerate(pairwise(notes), start=1):
        if run_fingers(*pair) and random.random() < 1 / 12:
            turns[index] = random.choice(run_fingers(*pair))
            # More than three times the longest run, which is therefore no note of the reel.
            lengths_us[index - 1 : index + 1] = [max(130_000, length) for length in lengths_us[index - 1 : index + 1]]
    hands = Hands(random, STANDARD[notes[0]])
    hands.hold(notes[0], lengths_us[0])
    for index, note in enumerate(notes[1:], start=1):
        finger, way, _ = turns.get(index, (None, None, note))
        if finger is None or way is None:
            hands.change(note, random.uniform(0, 8_000))
        else:
            hands.change_with_run(note, finger, way, random.uniform(15_000, 35_000))
        hands.hold(note, lengths_us[index], finger=finger, way=way)
    return hands.finish([])


def beginner(music: Sequence[int], seed: int) -> Performance:
    """A slow pupil, who rolls in right and wrong order, plays wrong notes, pauses, goes back, puts the chanter down."""
    random = Random(f"beginner {seed}")
    hands = Hands(random, STANDARD[music[0]])
    at, off = 0, None
    if random.random() < 0.5:
        hands.mask = hands.first_mask = 0
        off = hands.take_hands_off(music[0])

    def play(note: int, *written: int, least_us: float = 4e5, most_us: float = 1.3e6) -> None:
        wide = random.random() < 0.85
        hands.change(note, random.uniform(0, 60_000 if wide else 10_000), in_order=not wide or random.random() < 0.7)
        hands.hold(note, random.uniform(least_us, most_us), *written)

    hands.hold(music[0], random.uniform(4e5, 1.3e6), 0, off=off)
    while at < len(music) - 1:
        whim = random.choices(("on", "wrong", "back", "pause", "off", "stop"), (80, 7, 5, 4, 3, 0.3))[0]
        if whim == "wrong":
            # More than half of any neighbour: no run, by its length alone.
            wrong = random.choice([note for note in range(9) if note not in music[at : at + 2]])
            play(wrong, least_us=7e5, most_us=1.2e6)
            if random.random() < 0.5:
                play(music[at], at)
                continue
        elif whim == "back":
            target = random.choice((0, max(0, at - 1), max(0, at - 2), max(0, at - 3)))
            if music[target] == music[at]:
                continue
            hands.happen("going back")
            at = target - 1
        elif whim == "pause":
            hands.happen("pause", random.uniform(2e6, 5e6))
            continue
        elif whim == "off":
            at = random.choice((at, max(0, at - 2), 0))
            hands.hold(music[at], random.uniform(4e5, 1.3e6), at, off=hands.take_hands_off(music[at]))
            continue
        elif whim == "stop":
            hands.happen("stop")
            break
        at += 1
        play(music[at], at)
    return hands.finish(_melody(music))


def sensed(performance: Performance, seed: int, scan_us: int = 1_000, skew_us: int = 1_500) -> Performance:
    """The same performance as sensors show it, the truth unchanged.

    Each finger is seen early or late by a constant of up to `skew_us`, on a grid of scans; one motion in 100 chatters.
    """
    random = Random(f"sensors {seed}")
    skews_us = [random.uniform(-skew_us, skew_us) for _ in range(8)]
    by_finger: list[list[int]] = [[] for _ in range(8)]
    for (_, before), (t_us, after) in pairwise(performance.edges):
        for finger in movers(before, after):
            by_finger[finger].append(t_us)
    motions = []
    for finger, times in enumerate(by_finger):
        seen = -1
        for t_us, following_us in pairwise([*times, performance.end_us]):
            seen = max(seen + 1, -int(-(t_us + skews_us[finger]) // scan_us), 1)
            motions.append((seen * scan_us, finger))
            if following_us - t_us > 12 * scan_us and random.random() < 0.01:
                back = seen + random.randint(1, 2)
                seen = back + random.randint(1, 2)
                motions += [(back * scan_us, finger), (seen * scan_us, finger)]
    return replace(performance, edges=tuple(edges_of(performance.edges[0][1], motions)))


def write_csv(performance: Performance, path: Path) -> None:
    """The masks as `time_us,holes`, x covered and o open from the thumb down; the last row tells where it ends."""
    rows = [*performance.edges, (performance.end_us, performance.edges[-1][1])]
    text = (f"{t_us},{''.join('ox'[mask >> hole & 1] for hole in range(8))}" for t_us, mask in rows)
    path.write_text("\n".join(["time_us,holes", *text, ""]), encoding="utf-8")


def abc_of(music: Sequence[Written], title: str = "Invented") -> str:
    """The music as ABC, all notes of one length."""
    words = [f"{{{one.movement.written}}}{LETTERS[one.note]}" if one.movement else LETTERS[one.note] for one in music]
    lines = [" ".join(words[start : start + 8]) + " |" for start in range(0, len(words), 8)]
    return "\n".join(["X:1", f"T:{title}", "M:none", "L:1/8", "K:HP", *lines, ""])
