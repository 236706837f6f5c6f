"""A player's own tunes, from ABC: what may be practised, under which name; and any music as it is to sound, in time.

Pure. What the ABC reader and a session take holds here too; a tune that is longer than MOST_NOTES is refused, as one
practises it part by part.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from fingering.holes import HANDS_OFF
from fingering.table import Table
from fingerlead.music.abc import first_tune_text, parse_abc
from fingerlead.music.tune import Tune, expect
from fingerlead.phrases import capital
from fingerlead.practice.events import Edges
from fingerlead.practice.tonight import OnStaff
from fingerlead.reading.asked import SessionMusic
from fingerlead.store.session_music import LONGEST_ABC, LONGEST_NAME, row_of, written_notes

MOST_NOTES = 1_000  # repeats played out: some five minutes
MOST_TUNES = 50
USUAL_BPM = 60.0
ROUNDED_US = 10
GRACE_US = 50_000  # of a model (from memory); it is to be heard, and judges nothing


def own_tune(text: str | bytes, source_name: str = "", taken: Iterable[str] = ()) -> OnStaff:
    """The first tune of an ABC text, under a name that is not taken. Raises ValueError, one sentence."""
    tune, abc = parse_abc(text, source_name)[0][0], first_tune_text(text)
    wanted = expect(tune)
    count = len(wanted.notes)
    if count > MOST_NOTES:
        raise ValueError(f"expected at most {MOST_NOTES} notes to practise, repeats played out; got {count}: cut it up")
    if len(abc) > LONGEST_ABC:
        raise ValueError(f"expected at most {LONGEST_ABC} letters of ABC for one tune; got {len(abc)}")
    title = "".join(filter(str.isprintable, " ".join(tune.title.split())))[: LONGEST_NAME // 2] or "Own tune"
    asked = SessionMusic("tune", title, abc)
    row_of(1, 0, asked)
    written_notes(asked)  # they are known from here on: the practice actor never waits for them
    return named_apart(OnStaff(None, title, abc, tune, wanted), taken)


def named_apart(music: OnStaff, taken: Iterable[str] = ()) -> OnStaff:
    """The same music under a name that is not taken, its own or one with a number; nothing is read anew."""
    names = {name.casefold() for name in taken}
    numbered = (music.name if number == 1 else f"{music.name} ({number})" for number in range(1, len(names) + 2))
    name = next(name for name in numbered if name.casefold() not in names)
    tune, wanted = replace(music.tune, title=name), replace(music.wanted, name=name)
    return replace(music, key=f"own: {name}", name=name, tune=tune, wanted=wanted)


@dataclass(frozen=True, slots=True)
class ModelNote:
    """When one of the music's notes begins and ends in its model; `index` is that of `Lit`."""

    index: int
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True)
class Model:
    """The music as it is to sound: `edges` up to `end_us`, and its notes."""

    edges: Edges
    end_us: int
    notes: tuple[ModelNote, ...]


def model_of(tune: Tune, bpm: float | None, table: Table) -> Model:
    """A tune in time, at so many quarter notes a minute, else its own tempo, else USUAL_BPM; grace notes before their
    note's time.
    """
    whole_us = 4 * 60_000_000 / (bpm or float(tune.tempo or USUAL_BPM))
    edges: list[tuple[int, int]] = []
    notes: list[ModelNote] = []
    end_us = 0
    for index, note in enumerate(tune.played()):
        start_us = round(float(note.starts_at) * whole_us)
        rested = start_us - end_us > ROUNDED_US
        if rested:
            edges.append((end_us, HANDS_OFF))
        room_us = start_us - (end_us if rested else notes[-1].start_us if notes else start_us)
        grace_us = min(GRACE_US, room_us // (3 * len(note.graces))) if note.graces else 0
        for before, grace in zip(range(len(note.graces), 0, -1), note.graces, strict=True):
            if grace_us:
                edges.append((start_us - before * grace_us, table.standard[grace]))
        edges.append((start_us, table.standard[note.note]))
        end_us = start_us + round(float(note.length) * whole_us)
        notes.append(ModelNote(index, start_us, end_us))
    return Model(tuple(edges), end_us, tuple(notes))


def refusal(error: ValueError) -> str:
    """Why a text was refused, as a sentence."""
    return f"{capital(str(error))}."
