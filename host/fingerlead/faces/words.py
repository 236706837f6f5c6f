"""What happened, why it sounds, what to try: in words for a player of ten years with a chanter in their hands."""

from collections.abc import Iterable, Mapping

from fingering.diagnosis import Diagnosis
from fingering.moves import change_text, move
from fingering.notes import NOTES, a_note
from fingering.orders import every_rung
from fingering.tunes import easy_tunes
from fingerlead.phrases import capital, day_words, listed, path_text, small
from fingerlead.timing.analysis import Analysis
from fingerlead.timing.fault_words import faults_told
from fingerlead.timing.findings import together_words
from fingerlead.timing.measured_words import finger_name, ms
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.playthrough import playthrough_sentence, playthroughs
from fingerlead.timing.results import Change, Moved, PlayedMovement, Stray, Timing, Verdict
from fingerlead.wire.events import Doubt, trouble_words
from fingerlead.wire.messages import Hello

HEIGHTS_OF = {"front holes": "the front holes, not of the thumb's", "all holes": "all eight holes"}


def clock_text(t_us: int) -> str:
    """A time in a recording, minutes and seconds."""
    tenths = t_us // 100_000
    return f"{tenths // 600}:{tenths // 10 % 60:02}.{tenths % 10}"


def stray_name(from_note: int, to_note: int) -> str:
    """What pipers call the stray notes of a change."""
    return "runs" if move(from_note, to_note).way == "one-way" else "crossing noise"


def practised_names() -> dict[str, str]:
    """The names of all rungs, and the titles of the easy tunes, by their keys."""
    return {rung.key: rung.name for rung in every_rung().values()} | {tune.key: tune.title for tune in easy_tunes()}


def practised_name(key: str) -> str:
    """What a rung or a tune is called; a key that is none here is its own name."""
    return practised_names().get(key, key)


def practised_words(keys: Iterable[str]) -> str:
    """Rungs and tunes by their names, parted by semicolons: the name of a rung may hold commas."""
    return "; ".join(map(practised_name, keys))


ALL_AS_WRITTEN = "No note was wrong, missed or extra."


def music_name(name: str) -> str:
    """What a music is called, by the name that a session has for it."""
    return practised_name(name) or "the music"


def in_time_told(analysis: Analysis) -> list[str]:
    """For each tune that went by in time: how many of its notes came with the beat, and the place to work on."""
    return [
        f"In time, {music_name(analysis.musics[one.music].asked.name)}: {small(playthrough_sentence(one))}"
        for one in playthroughs(analysis)
    ]


# What is said of changes that are shown and not counted with the plain ones.
UNPLAIN_SENTENCES: dict[str, str] = {
    "unclear": "what sounded about it can be read in two ways; it is not counted.",
    "perhaps": "a very short note beside it may be a slow stray, or may be meant; it is not counted as clean.",
    "extra": "another note sounded in between that these fingers do not sound by moving apart; it is not counted.",
    "embellished": "a grace note or an embellishment was played in it; it is not counted with the plain changes.",
}


# How changes are counted that no statistic counts.
UNPLAIN_KINDS: dict[Verdict, str] = {
    "embellished": "with a grace note or an embellishment in it",
    "extra": "with a note too many",
    "perhaps": "with a very short note beside it that may be a stray",
    "unclear": "that can be read in two ways",
    "uncertain": "uncertain, as something was lost",
}


def not_counted(beside: Mapping[Verdict, int]) -> str:
    """How many changes are in no statistic, each kind for itself; nothing where all count."""
    told = [f"{beside[verdict]} {what}" for verdict, what in UNPLAIN_KINDS.items() if beside.get(verdict)]
    return f"Not counted: {listed(told)}." if told else ""


def change_sentence(change: Change, timing: Timing) -> str:
    """One change: its name, then what happened and what to try."""
    return f"{capital(change_text(change.from_note, change.to_note))}: {what_happened(change, timing)}"


def what_happened(change: Change, timing: Timing, advise: bool = True) -> str:
    """What happened in a change and what to try, without its name; what alone where `advise` is False."""
    if change.verdict == "uncertain":
        why = "frames were lost, the chanter was away or reported a bad sensor meanwhile"
        return f"uncertain, as {why}; it is not counted."
    told = []
    heard = [stray for stray in change.strays if stray.heard]
    if heard:
        told.append(_astray(change, heard, timing.uncertainty_us, diagnose_change(change) if advise else None))
    elif change.verdict in UNPLAIN_SENTENCES:
        told.append(UNPLAIN_SENTENCES[change.verdict])
    else:
        told.append(_clean(change))
    if change.verdict == "apart":
        last = change.fingers[-1]
        told.append(
            f"The fingers were not together: {finger_name(last.finger)} came "
            f"{ms(last.after_start_us, timing.uncertainty_us)} after the first. "
            f"{capital(together_words(change.from_note, change.to_note))}."
        )
    elif change.verdict == "clean" and len(change.fingers) > 1:
        told.append(_who_led(change, timing))
    if change.slips and change.verdict != "extra":
        names = _slipped(change)
        it_has = "it has" if len(names) == 1 else "they have"
        told.append(f"{capital(listed(names))} moved too, though {it_has} no part in this change.")
    return " ".join(told)


def _clean(change: Change) -> str:
    if not change.strays:
        return "clean." if change.verdict == "clean" else "nothing else sounded."
    notes = listed([a_note(note) for note in dict.fromkeys(stray.note for stray in change.strays)])
    clean = "clean; " if change.verdict == "clean" else ""
    return f"{clean}{notes} in between {'was' if len(change.strays) == 1 else 'were'} too short to be heard."


def _astray(change: Change, heard: list[Stray], uncertainty_us: int, diagnosis: Diagnosis | None) -> str:
    sounded = listed([a_note(stray.note) for stray in heard])
    lasted = f"sounded for {listed([ms(stray.duration_us, uncertainty_us) for stray in heard])}"
    if diagnosis is None:
        return f"{capital(sounded)} {lasted} in between."
    order = order_sentence(change, diagnosis, uncertainty_us)
    return f"{capital(order)}, so {sounded} {lasted}. {advice(change, diagnosis)}"


def order_sentence(change: Change, diagnosis: Diagnosis, uncertainty_us: int = 0) -> str:
    """Which finger moved before which, and by how much."""
    verb = {finger.finger: "lifted" if finger.motion == "lift" else "came down" for finger in change.fingers}
    other = "" if verb[diagnosis.first] == verb[diagnosis.second] else f" {verb[diagnosis.first]}"
    return (
        f"{finger_name(diagnosis.second)} {verb[diagnosis.second]} {ms(diagnosis.apart_us, uncertainty_us)} before "
        f"{finger_name(diagnosis.first)}{other}"
    )


def advice(change: Change, diagnosis: Diagnosis) -> str:
    """What to try; tried on the finger times themselves before it is said."""
    return f"{capital(together_words(change.from_note, change.to_note, (diagnosis.first, diagnosis.second)))}."


def _who_led(change: Change, timing: Timing) -> str:
    if change.lead is None:
        return "Which finger led is too close to call."
    return f"{capital(finger_name(change.lead))} led by {ms(change.fingers[1].after_start_us, timing.uncertainty_us)}."


def _slipped(change: Change) -> list[str]:
    return [finger_name(finger) for finger in dict.fromkeys(slip.finger for slip in change.slips)]


def passing_words(before: Change, short_us: int) -> str:
    """The very short note that a change leads to, and the next one leaves."""
    return (
        f"{a_note(before.to_note)} of {ms(short_us)} sounded in between; it may be a slow stray, or may be meant, "
        "and is not counted as clean."
    )


def movement_sentence(movement: PlayedMovement) -> str:
    """A movement as played, with its faults, or as it was left out."""
    name = f"{capital(movement.name)} on {NOTES[movement.to_note]}"
    if movement.verdict == "left out":
        return f"{name}: it was left out."
    said = {
        "faulty": "not quite as written",
        "another": f"where a {movement.written} is written",
        "unclear": "if it was one",
        "uncertain": "uncertain, as something was lost",
    }.get(movement.verdict)
    # What was hardly heard has no notes.
    length = f", {ms(movement.end_us - movement.start_us)}" if movement.notes else ""
    lasts = f"{name}{length}{f' ({said})' if said else ''}."
    return " ".join([lasts, *map(capital, faults_told(movement))])


def timing_sentence(timing: Timing, moved: Moved | None = None) -> str:
    """How far the times can be trusted, and which were moved to the seal, where that is known."""
    clock = "the chanter's own clock" if timing.clock == "chanter" else "the times at which its messages arrived"
    if timing.budget is not None:
        sizes = (
            "the sizes of the budget that you gave"
            if timing.budget.how == "given"
            else "assumed sizes, as not all of this chanter's errors were measured"
        )
        heights = timing.seal.heights if timing.seal and moved and moved.moves else "none"
        bar = " What a bar showed of its sensors holds at the bar's speed alone." if timing.skew == "measured" else ""
        if heights != "none":
            bar = f" The heights at which its sensors see are measured, of {HEIGHTS_OF[heights]}."
        return (
            f"Finger times are from {clock}, each with an uncertainty of its own: {ms(timing.uncertainty_us)} where "
            f"the finger's pace is not known, by {sizes}. Fingers nearer together than theirs allow are too close to "
            f"call.{'' if moved is None else _moved_words(timing, moved)}{bar}"
        )
    whose = "this chanter's" if timing.scan_us else "it"
    skew = {
        "assumed": f"assumed, as {whose} has not been measured",
        "given": "as you gave it",
        "measured": "as measured with a bar on the front holes",
    }[timing.skew]
    if not timing.scan_us:
        # A list of times, from whatever wrote it.
        return (
            f"Finger times are as the file lists them, to within {ms(timing.uncertainty_us)} ({skew}); "
            "nearer than that is too close to call."
        )
    scans = f"two scans of {timing.scan_us / 1_000:g} ms and " if timing.scan_us else ""
    return (
        f"Finger times are from {clock}, to within {ms(timing.uncertainty_us)} "
        f"({scans}a sensor skew of {timing.skew_us / 1_000:g} ms, {skew}); nearer than that is too close to call."
    )


def _moved_words(timing: Timing, moved: Moved) -> str:
    """Which times were moved to the seal, and by what, or why none was."""
    if moved.which == "none":
        why = (
            "as no calibration is known that puts all levels of this chanter near it"
            if timing.seal is None
            else "as no slopes came, or how far its levels lie from it is not known"
        )
        return f" None is moved to the seal, {why}."
    which = "All are" if moved.which == "all" else f"Of {moved.of} moves of fingers, the {moved.moves} with a slope are"
    day = (
        f"the calibration of {day_words(timing.seal.made[:10])}"
        if timing.seal and timing.seal.made
        else "its calibration"
    )
    return f" {which} moved from their sensors' levels to the seal, each by its own slope and {day}."


def intake_sentence(analysis: Analysis) -> str:
    """What was lost, or that nothing was; what is wrong with the music, and whose own movements it is read with."""
    intake = analysis.record.intake
    found = [
        _count(intake.lost_frames, "frame was lost", "frames were lost"),
        _count(intake.bad_frames, "came damaged", "came damaged"),
        _count(intake.restarts, "time the chanter started anew", "times the chanter started anew"),
        _count(sum(doubt.cause == "gap" for doubt in analysis.doubts), "time it fell silent", "times it fell silent"),
        *sorted({trouble_words(doubt.code, doubt.hole) for doubt in analysis.doubts if doubt.cause == "trouble"}),
    ]
    told = [part for part in found if part]
    problem = f" {analysis.music_problem}" if analysis.music_problem else ""
    if analysis.known.own:
        problem += f" Read with movements of a teacher's own, from {path_text(analysis.known.name) or 'the session'}."
    if not told:
        return f"Nothing was lost on the way.{problem}"
    uncertain = sum(change.verdict == "uncertain" for change in analysis.changes)
    touched = _count(uncertain, "change is uncertain for it", "changes are uncertain for it") or "no change was touched"
    return f"{capital(listed(told))}; {touched}.{problem}"


def doubt_sentence(doubt: Doubt) -> str:
    """Something may be missing."""
    length = ms(doubt.end_us - doubt.start_us)
    return {
        "lost": f"{_count(doubt.count, 'frame', 'frames')} lost within {length}; what happened in it is not known.",
        "gap": f"The chanter was silent for {length}; what happened in it is not known.",
        "restart": "The chanter has started anew; what happened meanwhile is not known.",
        "trouble": f"{capital(trouble_words(doubt.code, doubt.hole))}. What was played meanwhile is uncertain.",
    }[doubt.cause]


def chanter_sentence(hello: Hello) -> str:
    """Who it is that is heard."""
    return f"Listening to {hello.name or 'a chanter without a name'} ({hello.device_id.hex()})."


def false_fingering(note: int, wrong: tuple[int, ...], covered_mask: int) -> str:
    """What is wrong with a fingering that sounds its note."""
    down = [finger_name(finger) for finger in wrong if covered_mask >> finger & 1]
    up = [finger_name(finger) for finger in wrong if not covered_mask >> finger & 1]
    parts = ([f"{listed(down)} should be up"] if down else []) + ([f"{listed(up)} should be down"] if up else [])
    return f"{capital(NOTES[note])}: {' and '.join(parts)}."


def _count(count: int, one: str, many: str) -> str:
    return "" if not count else f"{count} {one if count == 1 else many}"
