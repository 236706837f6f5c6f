"""The definitions of the analysis, said again in the plainest way: loops over one change at a time, no arrays.

Written from the definitions alone, to be compared with the program's array functions. Slow on purpose. What is a melody
note, and what stands between two of them, the plain reader says.
"""

from __future__ import annotations

from itertools import pairwise

from fingering.movements import forms_between
from fingering.notes import sounding
from tests.reading.plain_reader import OFF, PlainReader


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


def finger_time(toggles, bounce_us):
    k = len(toggles) - 1
    while k >= 2 and toggles[k] - toggles[k - 1] < bounce_us:
        k -= 2
    return toggles[k]


def judge(states, end_us, doubts, settings, uncertainty_us, musics=()):
    """(notes, changes, movements, hands off), each as plain tuples and dicts.

    Movements are judged by which notes sound. What length and fingers add is of `may_become`.
    """
    read = PlainReader(states, end_us, settings, musics)
    stretches = read.stretches
    changes, movements = [], []
    for between in read.between:
        a, b = stretches[between.first], stretches[between.last]
        w0, w1 = a.leave_us, b.reach_us
        doubted = any(s <= w1 and e >= w0 for s, e in doubts)
        if between.why.kind == "movement" or between.graces:
            number = None if a.note == b.note else len(changes)
            movements.append(movement_of(between, stretches, doubted, number))
        if a.note == b.note:
            continue
        number = read.music_of(between.last)
        music = None if number is None else musics[number]
        stage_us = None if music is None else music.asked.stage_us
        stage_us = settings.stage_us if stage_us is None else stage_us
        found = fingers_of(a, b, read.parts, settings, uncertainty_us)
        kind, strays = between.why.kind, found.pop("strays")
        strays = strays if kind in ("direct", "strays") else []
        heard = any(us >= settings.heard_us for *_, us in strays)
        if doubted:
            verdict = "uncertain"
        elif between.doubt:
            verdict = between.doubt
        elif kind == "extra" or (kind == "strays" and not heard):
            verdict = "extra"
        elif kind == "movement":
            verdict = "embellished"
        elif heard:
            verdict = "stray"
        else:
            verdict = "apart" if found["spread"] - stage_us > uncertainty_us else "clean"
        if kind not in ("direct", "strays"):
            found["lead"] = None
        if kind == "movement":
            found["slips"] = []
        changes.append(
            dict(
                found, from_note=a.note, to_note=b.note, from_mask=a.mask, to_mask=b.mask, strays=strays,
                verdict=verdict, stage=stage_us, judged=music is None or music.asked.judged,
            )
        )  # fmt: skip
    notes = [
        (one.note, one.mask, one.start_us, one.end_us, (music, position - 1) if written else None)
        for at, music, position, written in read.melody
        for one in [stretches[at]]
    ]
    return notes, changes, movements, [(one.start_us, one.end_us) for one in stretches if one.note == OFF]


def movement_of(between, stretches, doubted, change):
    """What embellishes a change or a note, as it was played or as it was left out."""
    a, b, why = stretches[between.first], stretches[between.last], between.why
    form = forms_between(a.note, b.note).get(between.graces)
    written = None
    if between.graces:
        written = form.movement.name if form else "grace notes"
    played = [stretches[between.sounds[place]] for place in why.notes] if why.kind == "movement" else []
    is_played = why.kind == "movement"
    fits = is_played and bool(written) and (why.movement is None or why.movement.name == written)
    if doubted:
        verdict = "uncertain"
    elif between.doubt:
        verdict = "unclear"
    elif written is None:
        verdict = "unwritten"
    elif not is_played:
        verdict = "left out"
    elif not fits:
        verdict = "another"
    else:
        verdict = "as written" if why.missing == 0 and len(played) == len(between.sounds) else "faulty"
    return dict(
        name=why.movement.name if is_played and why.movement is not None else written or "grace notes",
        written=written,
        notes=[(one.note, one.start_us, one.lasts_us, one.note if fits else None) for one in played],
        between=(a.note, b.note),
        start=played[0].start_us if played else a.end_us,
        end=played[-1].end_us if played else b.start_us,
        verdict=verdict,
        change=change,
    )


def may_become(verdict, faults):
    """The verdicts that a movement may have once it is judged note by note, from the one of its notes alone.

    What sounds as written has faults of length and of fingers only. What is too many may be too brief to be told, and
    one that was left out may have sounded too briefly to be heard.
    """
    of_notes = {"missing", "swallowed", "wrong note", "extra catch", "stray inside"}
    if verdict in ("as written", "faulty"):
        if verdict == "as written" and of_notes & set(faults):
            return set()
        return {"faulty"} if faults else {"as written", "unclear"}
    if verdict == "left out" and "swallowed" in faults:
        return {"faulty"}
    return {verdict} if verdict == "unwritten" or not faults else set()


def fingers_of(a, b, parts, settings, uncertainty_us):
    """The times of the fingers from one note's settled mask to the other's, the strays, and what slipped."""
    w0, w1 = a.leave_us, b.reach_us
    inside = [part for part in parts if w0 <= part[0] < w1]
    toggles = {finger: [] for finger in range(8)}
    mask = a.mask
    for start_us, _, after in parts:
        if w0 <= start_us <= w1:
            for finger in range(8):
                if (mask ^ after) >> finger & 1:
                    toggles[finger].append(start_us)
            mask = after
    differs = a.mask ^ b.mask
    moved = {f: finger_time(times, settings.bounce_us) for f, times in toggles.items() if differs >> f & 1}
    returns = [f for f, times in toggles.items() if times and not differs >> f & 1]
    returning = sum(1 << f for f in returns)
    flagged = []
    for start_us, end_us, mask in inside:
        put_back = sounding((mask & ~returning) | (a.mask & returning))
        top = next((f for f in range(8) if not mask >> f & 1), None)
        is_stray = sounding(mask) not in (a.note, b.note)
        is_stray &= not (top in returns and a.mask >> top & 1)
        is_stray &= put_back not in (a.note, b.note)
        flagged.append((start_us, end_us, mask, sounding(mask) if is_stray else None))
    strays = []
    for group in joined_by(flagged, lambda one: one[3]):
        if group[0][3] is not None and group[-1][1] > group[0][0]:
            strays.append((group[0][3], group[0][2], group[0][0], group[-1][1] - group[0][0]))
    order = sorted((t_us, finger) for finger, t_us in moved.items())
    start = order[0][0]
    tie = len(order) > 1 and (order[1][0] == start or order[1][0] - start < uncertainty_us)
    slips = [(f, up, down - up) for f in returns for up, down in zip(toggles[f][::2], toggles[f][1::2], strict=True)]
    return dict(
        start=start,
        spread=order[-1][0] - start,
        lead=None if tie else order[0][1],
        fingers=[(finger, t_us - start) for t_us, finger in order],
        strays=strays,
        slips=sorted(slips, key=lambda slip: (slip[1], slip[0])),
    )
