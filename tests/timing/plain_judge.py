"""The definitions of the analysis, said again in the plainest way: loops over one change at a time, no arrays.

Written from the definitions alone, to be compared with the program's array functions. Slow on purpose.
"""

from __future__ import annotations

from itertools import pairwise

name_movement = None
from fingering.moves import possible_strays
from fingering.notes import sounding


def stretches(states, end_us):
    """(start, end, mask) for every stretch of one mask."""
    out = []
    for t_us, mask in states:
        if out and out[-1][2] == mask:
            continue
        if out:
            out[-1][1] = t_us
        out.append([t_us, None, mask])
    if out:
        out[-1][1] = max(end_us, out[-1][0])
    return [tuple(s) for s in out]


def third_note_us(from_mask, to_mask, times):
    """How long third notes sound if each finger that differs moves once, at its time."""
    at_us = sorted({*times.values()})
    total_us = 0
    for since_us, until_us in pairwise(at_us):
        mask = from_mask
        for finger, moved_us in times.items():
            mask ^= (moved_us <= since_us) << finger
        if sounding(mask) not in (sounding(from_mask), sounding(to_mask)):
            total_us += until_us - since_us
    return total_us


def joined_by(items, key):
    groups = []
    for item in items:
        if groups and key(groups[-1][-1]) == key(item):
            groups[-1].append(item)
        else:
            groups.append([item])
    return groups


def settled(note, group, standard, settings):
    start = group[0][0]
    lasts = [e - s for s, e, _ in group]
    for i, (s, _, mask) in enumerate(group):
        others = [lasts[j] for j in range(i + 1, len(group)) if group[j][2] != standard[note]]
        if mask == standard[note] and s - start <= settings.correction_us and lasts[i] > max(others, default=0):
            return mask
    return group[lasts.index(max(lasts))][2]


def held_notes(parts, standard, settings):
    """Dicts of note (None: hands off), mask, start, end, leave (end of last steady stretch), reach (start of first)."""
    notes = []
    for group in joined_by(parts, lambda p: None if p[2] == 0 else sounding(p[2])):
        start, end = group[0][0], group[-1][1]
        if end - start < settings.steady_us:
            continue
        note = None if group[0][2] == 0 else sounding(group[0][2])
        mask = 0 if note is None else settled(note, group, standard, settings)
        own = [p for p in group if p[2] == mask]
        steady = [p for p in own if p[1] - p[0] >= settings.steady_us] or [max(own, key=lambda p: p[1] - p[0])]
        notes.append(dict(note=note, mask=mask, start=start, end=end, reach=steady[0][0], leave=steady[-1][1]))
    kept = []
    for i, n in enumerate(notes):
        if 0 < i < len(notes) - 1 and None not in (notes[i - 1]["note"], n["note"], notes[i + 1]["note"]):
            p, q = notes[i - 1]["mask"], notes[i + 1]["mask"]
            lifted = [around ^ n["mask"] for around in (p, q)]
            if n["end"] - n["start"] < settings.passing_us and any(
                bits.bit_count() == 1 and bits & p & q for bits in lifted
            ):
                continue
        kept.append(n)
    return kept


def finger_time(toggles, bounce_us):
    k = len(toggles) - 1
    while k >= 2 and toggles[k] - toggles[k - 1] < bounce_us:
        k -= 2
    return toggles[k]


def judge(states, end_us, doubts, standard, settings, uncertainty_us):
    parts = stretches(states, end_us)
    notes = held_notes(parts, standard, settings)
    changes, movements = [], []
    for i in range(len(notes) - 1):
        a, b = notes[i], notes[i + 1]
        if a["note"] is None or b["note"] is None:
            continue
        w0, w1 = a["leave"], b["reach"]
        inside = [p for p in parts if w0 <= p[0] < w1]
        edges = [p for p in parts if w0 <= p[0] <= w1]
        toggles = {f: [] for f in range(8)}
        mask = a["mask"]
        for s, _, m in edges:
            for f in range(8):
                if (mask ^ m) >> f & 1:
                    toggles[f].append(s)
            mask = m
        differs = a["mask"] ^ b["mask"]
        moved = {f: finger_time(ts, settings.bounce_us) for f, ts in toggles.items() if differs >> f & 1}
        returns = [f for f, ts in toggles.items() if ts and not differs >> f & 1]
        ret = sum(1 << f for f in returns)

        runs = [(g[0][0], g[-1][1], sounding(g[0][2])) for g in joined_by(inside, lambda p: sounding(p[2]))]
        if runs and runs[0][2] == a["note"]:
            runs = runs[1:]
        if runs and runs[-1][2] == b["note"]:
            runs = runs[:-1]
        runs = [r for r in runs if r[1] - r[0] >= settings.heard_us]
        busy = sum(map(len, toggles.values())) > differs.bit_count()
        movement = (
            name_movement(tuple(r[2] for r in runs), a["note"], b["note"])
            if busy and len(runs) <= 15 and runs
            else None
        )
        if movement:
            movements.append(dict(name=movement.name, on=b["note"], notes=[(r[2], r[0], r[1] - r[0]) for r in runs]))
        if a["note"] == b["note"]:
            continue

        strays, sounded = [], False
        if not movement:
            flagged = []
            for s, e, m in inside:
                back = sounding((m & ~ret) | (a["mask"] & ret))
                top = next((f for f in range(8) if not m >> f & 1), None)
                sounded |= back != sounding(m)
                ok = sounding(m) not in (a["note"], b["note"])
                ok &= not (top in returns and a["mask"] >> top & 1)
                ok &= back not in (a["note"], b["note"])
                flagged.append((s, e, m, sounding(m) if ok else None))
            for g in joined_by(flagged, lambda x: x[3]):
                if g[0][3] is not None and g[-1][1] > g[0][0]:
                    strays.append((g[0][3], g[0][2], g[0][0], g[-1][1] - g[0][0]))
        order = sorted((t, f) for f, t in moved.items())
        start = order[0][0]
        spread = order[-1][0] - start
        heard = any(d >= settings.heard_us for *_, d in strays)
        plain = heard or (not movement and not sounded)
        lead = order[0][1]
        if len(order) > 1 and order[1][0] - start < uncertainty_us:
            lead = None
        slips = []
        if not movement:
            for f in returns:
                slips += [(f, u, v - u) for u, v in zip(toggles[f][::2], toggles[f][1::2], strict=True)]

        def passing(k):
            if not 0 < k < len(notes) - 1:
                return False
            n, before, after = notes[k], notes[k - 1]["note"], notes[k + 1]["note"]
            if None in (n["note"], before, after) or before == after:
                return False
            return n["end"] - n["start"] < settings.passing_us and n["note"] in possible_strays(before, after)

        verdict = "clean"
        if passing(i) or passing(i + 1):
            verdict = "perhaps"
        if not plain:
            verdict = "embellished"
        if heard:
            verdict = "stray"
        if any(s <= w1 and e >= w0 for s, e in doubts):
            verdict = "uncertain"
        changes.append(
            dict(
                from_note=a["note"], to_note=b["note"], from_mask=a["mask"], to_mask=b["mask"], start=start,
                spread=spread, lead=lead if plain else None, fingers=[(f, t - start) for t, f in order], strays=strays,
                slips=sorted(slips, key=lambda x: (x[1], x[0])), loose=spread > settings.loose_us if plain else None,
                verdict=verdict,
            )
        )  # fmt: skip
    held = [(n["note"], n["mask"], n["start"], n["end"]) for n in notes if n["note"] is not None]
    return held, changes, movements
