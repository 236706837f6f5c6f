"""Grace notes and embellishments as the notes that sound, how long each lasts, and the naming of those played.

A movement is a row of tables/movements.toml: the notes that sound, in order, before the melody note it leads to, and
the role of each, which has its lengths. Names, forms and sources stand there. A teacher's own table is read like it,
and comes before it. What is told of a movement is not asked here, nor what may be a stray.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, NamedTuple, NoReturn, get_args

from fingering.notes import ABC_LETTERS, NOTES, SOUNDING, note_index
from fingering.toml_file import FileError, TomlEntry, TomlFile, read_bytes, shortened

Opening = Literal["high G", "high A", "none"]
OPENINGS: tuple[Opening, ...] = get_args(Opening)
# What teachers listen for in a movement; "early" and "late" where it stands on a beat.
FaultKind = Literal[
    "missing",
    "swallowed",
    "crushed",
    "dragged",
    "uneven",
    "wrong note",
    "extra catch",
    "stray inside",
    "false fingering",
    "early",
    "late",
]
FAULTS: tuple[FaultKind, ...] = get_args(FaultKind)
MOST_NOTES = 12
MOST_FORMS = 1_000  # of one table: five times what the program's own has
MOST_ROLES = 100  # by note, of one movement
LONGEST_NAME = 64  # as the practice log counts them
LONGEST_LIST = 300  # characters, of names in a sentence
LONGEST_MS = 5_000
_ROLE_KEYS = ("name", "skilled", "learner", "alike", "source")
_KEYS = ("name", "family", "opening", "notes", "roles", "faults", "source", "after")


class MovementError(FileError):
    """A table of movements that cannot be used: which file, which line (None where it is no single one), why."""


@dataclass(frozen=True, slots=True)
class Role:
    """What a note is within a movement, and the shortest and longest that it sounds, in ms: skilled, and a learner's.

    `alike`: the notes of this role in one movement are meant to be equally long.
    """

    name: str
    skilled: tuple[float, float]
    learner: tuple[float, float]
    alike: bool
    source: str


@dataclass(frozen=True, slots=True)
class Movement:
    """One form of a movement. `notes` are sounding notes 0 to 8; `on` is the melody note it leads to, None for any.

    `opening` is the grace note in front. `after` is the melody note it must follow, None for any. `roles` has one for
    each note; `faults` are what teachers listen for in it.
    """

    name: str
    family: str
    notes: tuple[int, ...]
    on: int | None
    opening: Opening
    source: str
    after: int | None
    roles: tuple[Role, ...]
    faults: tuple[FaultKind, ...]


class Form(NamedTuple):
    """Notes as they are heard, one way in which a movement sounds; `left_out` counts the notes of it that are not."""

    movement: Movement
    left_out: int


class Repertoire:
    """All forms that a reading knows, in the order that settles what sounds alike. Each is its own, by identity.

    `own` are a teacher's, which come first, `text` is the TOML that they were read from, `name` what that is called.
    """

    __slots__ = ("_between", "forms", "name", "own", "text")

    def __init__(
        self, forms: tuple[Movement, ...], own: tuple[Movement, ...] = (), text: str = "", name: str = ""
    ) -> None:
        self.forms, self.own, self.text, self.name = forms, own, text, name
        self._between: dict[tuple[int, int], Mapping[tuple[int, ...], Form]] = {}

    def fitting(self, from_note: int, to_note: int) -> list[Movement]:
        """The forms that may stand between two melody notes, which may be the same."""
        return [m for m in self.forms if m.on in (None, to_note) and m.after in (None, from_note)]

    def between(self, from_note: int, to_note: int) -> Mapping[tuple[int, ...], Form]:
        """What every movement may sound like between two melody notes, by what is heard.

        A first note that sounds already is no sound of its own (the half form that is then heard), and a last note that
        is the melody note merges with it. Where two movements sound alike, the one that leaves out fewer notes gives
        the name, then the one that stands first in the table. Forms that leave out inner notes equal to either melody
        note count what they leave out.
        """
        key = from_note, to_note
        found = self._between.get(key)
        if found is None:
            found = self._between[key] = _heard_as(self.fitting(*key), *key)
        return found


@lru_cache(maxsize=1)
def standard_repertoire() -> Repertoire:
    """The program's own table."""
    return Repertoire(_read(_own_table(), "movements.toml", {}))


def movements() -> tuple[Movement, ...]:
    """All forms of all movements of the program's own table, in its order."""
    return standard_repertoire().forms


def own_repertoire(path: Path) -> Repertoire:
    """The table with a teacher's own movements, a TOML file, before it; raises MovementError."""
    data = read_bytes(path, MovementError)
    _read(data, str(path), _own_roles())  # what is wrong is said with the whole path
    return repertoire_in(data.decode("utf-8-sig"), path.name)


@lru_cache(maxsize=8)
def repertoire_in(text: str, name: str) -> Repertoire:
    """The same of TOML that is read already, from what is called `name`; raises MovementError.

    On the melody notes that the teacher has a movement for, they have all forms of that name.
    """
    mine = _read(text.encode("utf-8", "replace"), name, _own_roles())
    return repertoire_with(mine, text, name)


def repertoire_with(mine: tuple[Movement, ...], text: str = "", name: str = "") -> Repertoire:
    """The table with some movements before it, in place of those that are called so on the same melody notes."""
    chosen = {(one.name, one.on) for one in mine}
    rest = [one for one in movements() if not chosen & {(one.name, one.on), (one.name, None)}]
    return Repertoire((*mine, *rest), mine, text, name)


def _own_table() -> bytes:
    from importlib.resources import files

    return (files("fingering") / "tables" / "movements.toml").read_bytes()


@lru_cache(maxsize=1)
def _own_roles() -> Mapping[str, Role]:
    return {role.name: role for one in movements() for role in one.roles}


def forms_between(from_note: int, to_note: int) -> Mapping[tuple[int, ...], Form]:
    """What every movement of the program's own table may sound like between two melody notes; see `Repertoire`."""
    return standard_repertoire().between(from_note, to_note)


def _heard_as(fitting: list[Movement], from_note: int, to_note: int) -> Mapping[tuple[int, ...], Form]:
    found: dict[tuple[int, ...], Form] = {}
    for movement in fitting:
        found.setdefault(movement.notes, Form(movement, 0))
    for movement in fitting:
        notes = movement.notes
        first, last = notes[0] == from_note, notes[-1] == to_note
        for begin, end in ((first, 0), (0, last), (first, last)):
            found.setdefault(notes[begin : len(notes) - end], Form(movement, 0))
    thin = [(_without(m.notes, from_note, to_note), m) for m in fitting]
    for notes, movement in sorted(thin, key=lambda pair: len(pair[1].notes) - len(pair[0])):
        found.setdefault(notes, Form(movement, len(movement.notes) - len(notes)))
    found.pop((), None)
    return found


def nearest_mask(note: int, from_mask: int, to_mask: int) -> int:
    """The mask that sounds a note with the fewest moves from one mask and on to another: how grace notes are played."""
    masks = [mask for mask in range(1, 256) if SOUNDING[mask] == note]
    return min(masks, key=lambda mask: ((mask ^ from_mask).bit_count(), (mask ^ to_mask).bit_count()))


def _read(data: bytes, path: str, known: Mapping[str, Role]) -> tuple[Movement, ...]:
    """The movements of a table, which may use the roles that are known besides its own."""
    file = TomlFile(data, path, "movement", MovementError)
    file.head.expect_keys("role", "movement", what="[[role]] and [[movement]] tables")
    roles = {**known, **{role.name: role for role in map(_role, file.beside("role").entries)}}
    found: list[Movement] = []
    for entry in file.entries:
        # A line of a few letters can ask for millions.
        for form in _forms(entry, roles):
            if len(found) == MOST_FORMS:
                entry.refuse("notes", f"expected at most {MOST_FORMS} forms in all; got more: leave some out")
            found.append(form)
    if not found:
        file.refuse(None, "expected [[movement]] tables; there is none")
    return tuple(found)


def _needed(entry: TomlEntry, keys: tuple[str, ...], needed: tuple[str, ...]) -> None:
    entry.expect_keys(*keys)
    for key in needed:
        if key not in entry.values:
            entry.refuse(None, f"expected {', '.join(needed)}; {key} is missing")


def _role(entry: TomlEntry) -> Role:
    _needed(entry, _ROLE_KEYS, ("name", "skilled", "learner", "source"))
    skilled, learner = _range(entry, "skilled"), _range(entry, "learner")
    if learner[0] <= skilled[0] or learner[1] <= skilled[1]:
        entry.refuse("learner", f"expected a learner to take longer than {list(skilled)}; got {list(learner)}")
    alike = entry.values.get("alike", False)
    if not isinstance(alike, bool):
        entry.refuse("alike", f"expected alike to be true or false; got {shortened(alike)}")
    return Role(entry.text("name"), skilled, learner, alike, entry.text("source"))


def _range(entry: TomlEntry, key: str) -> tuple[float, float]:
    """The shortest and the longest of a range in ms."""
    value: Any = entry.values[key]
    match value:
        case [int() | float() as least, int() | float() as most] if (
            not isinstance(least, bool) and not isinstance(most, bool) and 0 < least <= most <= LONGEST_MS
        ):
            return least, most
        case [int() | float() as least, int() | float() as most] if least > most:
            entry.refuse(key, f"expected {key} from the shortest to the longest; got {shortened(value)}: turn it round")
    entry.refuse(key, f"expected {key} to be two lengths in ms, each up to {LONGEST_MS}; got {shortened(value)}")


def _forms(entry: TomlEntry, roles: Mapping[str, Role]) -> Iterator[Movement]:
    _needed(entry, _KEYS, ("name", "notes", "roles", "source"))
    name, source = entry.text("name", limit=LONGEST_NAME), entry.text("source")
    family, asked = entry.text("family", name), entry.text("opening", "none")
    opening = next((one for one in OPENINGS if one == asked), None)
    if opening is None:
        entry.refuse("opening", f"expected opening to be one of {', '.join(OPENINGS)}; got {shortened(asked)}")
    after = _note(entry, "after", entry.values["after"]) if "after" in entry.values else None
    faults = tuple(_fault(entry, value) for value in _list(entry, "faults"))
    spelled, of = entry.values["notes"], entry.values["roles"]
    if not isinstance(spelled, dict) or not spelled:
        entry.refuse("notes", 'expected notes by the melody note, as { A = "gAd" }; got ' + shortened(spelled))
    for letters, spelling in spelled.items():
        for on in [None] if letters == "any" else [_note(entry, "notes", letter) for letter in letters or [""]]:
            for form in [spelling] if isinstance(spelling, str) else _list(entry, "notes", spelling):
                notes = _notes(entry, form, on)
                yield Movement(
                    name, family, notes, on, opening, source, after, _roles(entry, of, notes, on, roles), faults
                )


def _list(entry: TomlEntry, key: str, value: Any = None) -> list[Any]:
    value = entry.values.get(key, []) if value is None else value
    if isinstance(value, list):
        return value
    entry.refuse(key, f"expected {key} to be a list; got {shortened(value)}")


def _fault(entry: TomlEntry, value: Any) -> FaultKind:
    found = next((fault for fault in FAULTS if fault == value), None)
    if found is not None:
        return found
    entry.refuse("faults", f"expected some of {', '.join(FAULTS)}; got {shortened(value)}")


def _note(entry: TomlEntry, key: str, value: Any) -> int:
    if isinstance(value, str) and len(value) == 1 and value in ABC_LETTERS:
        return note_index(value)
    entry.refuse(key, f"expected each note to be a letter of {ABC_LETTERS}; got {shortened(value)}")


def _notes(entry: TomlEntry, form: Any, on: int | None) -> tuple[int, ...]:
    """The notes of a form: what sounds before the melody note, no two neighbours alike."""
    if not isinstance(form, str) or not 0 < len(form) <= MOST_NOTES:
        entry.refuse("notes", f"expected 1 to {MOST_NOTES} notes as letters of {ABC_LETTERS}; got {shortened(form)}")
    notes = tuple(_note(entry, "notes", letter) for letter in form)
    for one, other in zip(notes, (*notes[1:], on), strict=True):
        if one == other:
            entry.refuse(
                "notes", f"expected another note after each; {shortened(form)} has {NOTES[one]} twice in a row"
            )
    return notes


def _roles(
    entry: TomlEntry, of: Any, notes: tuple[int, ...], on: int | None, roles: Mapping[str, Role]
) -> tuple[Role, ...]:
    """The role of each note of a form: of all keys that fit it, the first decides."""

    def refuse(key: Any) -> NoReturn:
        letters = f"a letter of {ABC_LETTERS}, as d or d2"
        entry.refuse("roles", f"expected roles by {letters}, by on or other; got {shortened(key)}")

    if not isinstance(of, dict):
        refuse(of)
    if len(of) > MOST_ROLES:
        entry.refuse("roles", f"expected at most {MOST_ROLES} roles in a movement; got {len(of)}: leave some out")
    found = []
    for place, note in enumerate(notes):
        letter, count = ABC_LETTERS[note], notes[: place + 1].count(note)
        fits = {letter, f"{letter}{count}", "other", *(["on"] if note == on else [])}
        name = next((name for key, name in of.items() if key in fits), None)
        if name is None:
            entry.refuse("roles", f"expected a role for each note; {NOTES[note]} has none: add other")
        if not isinstance(name, str) or name not in roles:
            known = ", ".join(roles)
            known = known if len(known) <= LONGEST_LIST else known[:LONGEST_LIST] + "…"
            entry.refuse("roles", f"expected a role of {known}; got {shortened(name)}")
        found.append(roles[name])
    for key in of:
        if key not in ("on", "other") and not (key[:1] in ABC_LETTERS and key[1:].isdecimal() | (len(key) == 1)):
            refuse(key)
    return tuple(found)


def _without(notes: tuple[int, ...], from_note: int, to_note: int) -> tuple[int, ...]:
    return tuple(note for note in notes if note not in (from_note, to_note))
