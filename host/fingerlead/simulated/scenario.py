"""Pupils as TOML files: read, and checked key by key.

    name = "…"                       who it is                        about = "…"   a line or two about the session
    seed = 7                         drawn with this unless told      changes = 90  how many unless told
    scatter_ms = 9                   one number, or a table of finger = number, `others` for the rest
    care_ms = 5                      how long the note to come opens before the one that is left closes
    travel_ms = 12                   how long a finger takes for its whole way, 12 to 250
    hold_ms = [250, 900]             how long notes are held
    graces, slips, trembles = 0.1    chance per change of a high G grace note or a slip, per note of a tremble
    slow = 0.02                      chance per change of a finger that lags by slow_ms = [60, 150]
    tune = "G A B c"                 notes by ABC letter, round and round; without it, notes at random
    [weights]                        note = how often it comes, relative to 1
    [[habit]]                        finger; early_ms or late_ms; from, to, motion ("lift", "lower"), chance, favour
    [[wrong_finger]]                 note, finger, chance: a false fingering

Every key may be left out. `favour` is how many times as often a change with both its notes named is played.
"""

from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeGuard

from fingering.holes import FINGERS
from fingering.notes import NOTES, SOUNDING, note_index
from fingering.toml_file import SIZE_LIMIT, FileError, parse_toml, read_bytes
from fingerlead.simulated.motion import QUICKEST_US, SLOWEST_US, TRAVEL_US
from fingerlead.simulated.pupil import HUMAN_SCATTER_US, STANDARD, Habit, SimulatedPupil, WrongFinger

BUILT_IN = ("clean", "early-little-finger", "heavy-crossing", "mixed", "trembling")
LONGEST_MS = 10_000


class PupilError(ValueError):
    """A pupil's file that cannot be used; `str()` is one sentence."""

    def __init__(self, source: str, key: str, expected: str, got: object) -> None:
        self.source, self.key, self.expected, self.got = source, key, expected, got
        place = f"{source}: {key}" if key else source
        super().__init__(f"{place}: expected {expected}, got {got!r}" if got != "" else f"{place}: expected {expected}")


@dataclass(frozen=True, slots=True)
class Scenario:
    """A pupil, and how one session is drawn."""

    pupil: SimulatedPupil
    about: str = ""
    seed: int = 1
    changes: int = 120


def load_scenario(name_or_path: str) -> Scenario:
    """The scenario of a built-in pupil by name, or one from a TOML file; raises PupilError."""
    if name_or_path in BUILT_IN:
        file = resources.files("fingerlead.simulated").joinpath("pupils", f"{name_or_path}.toml")
        return read_scenario(file.read_text(encoding="utf-8"), name_or_path)
    expected = f"a pupil's TOML file, or one of {', '.join(BUILT_IN)}"
    try:
        data = read_bytes(name_or_path, FileError)
        text = data.decode("utf-8")
    except FileError as error:
        raise PupilError(name_or_path, "", f"{expected} ({error.reason})", "") from None
    except UnicodeDecodeError:
        raise PupilError(name_or_path, "", f"{expected} (no text)", "") from None
    if len(data) > SIZE_LIMIT:
        raise PupilError(name_or_path, "", f"{expected}, of at most {SIZE_LIMIT} bytes", "a longer one")
    return read_scenario(text, name_or_path)


def read_scenario(text: str, source: str) -> Scenario:
    """A scenario from TOML text; `source` is named in errors. Raises PupilError."""
    try:
        top = _Keys(source, "", parse_toml(text))
    except ValueError as error:
        raise PupilError(source, "", f"TOML ({error})", "") from None
    low_ms, high_ms = top.range_ms("hold_ms", (250, 900), at_least=100)
    pupil = SimulatedPupil(
        name=top.text("name", Path(source).stem),
        scatter_us=_scatter(top),
        care_us=top.ms("care_ms", 0),
        travel_us=top.ms("travel_ms", TRAVEL_US // 1_000, QUICKEST_US // 1_000, SLOWEST_US // 1_000),
        hold_us=(low_ms, high_ms),
        weights=_weights(top),
        tune=_tune(top),
        habits=tuple(_habit(keys) for keys in top.tables("habit")),
        wrong_fingers=tuple(_wrong_finger(keys) for keys in top.tables("wrong_finger")),
        graces=top.chance("graces", 0.0),
        slips=top.chance("slips", 0.0),
        trembles=top.chance("trembles", 0.0),
        slow=top.chance("slow", 0.0),
        slow_us=top.range_ms("slow_ms", (60, 150), at_least=1),
    )
    scenario = Scenario(
        pupil=pupil,
        about=top.text("about", ""),
        seed=top.whole("seed", 1, 0, 2**63),
        changes=top.whole("changes", 120, 1, 10_000_000),
    )
    top.finish()
    return scenario


class _Keys:
    """A table of the file, whose keys are asked for one by one; `finish` refuses a key that was never asked for."""

    def __init__(self, source: str, place: str, table: dict[str, Any]) -> None:
        self.source, self.place = source, place
        self._left = dict(table)
        self._asked: list[str] = []

    def fail(self, key: str, expected: str, got: object) -> PupilError:
        return PupilError(self.source, f"{self.place}{key}", expected, got)

    def get(self, key: str, default: Any, expected: str, sound: Callable[[Any], bool]) -> Any:
        self._asked.append(key)
        value = self._left.pop(key, default)
        if value is not default and not sound(value):
            raise self.fail(key, expected, value)
        return value

    def text(self, key: str, default: str) -> str:
        return str(self.get(key, default, "printable text in quotes", _printable))

    def whole(self, key: str, default: int, low: int, high: int) -> int:
        expected = f"a whole number from {low} to {high - 1}"
        return int(self.get(key, default, expected, lambda v: type(v) is int and low <= v < high))

    def chance(self, key: str, default: float) -> float:
        return float(self.get(key, default, "a chance from 0 to 1", lambda v: _number(v) and 0 <= v <= 1))

    def ms(self, key: str, default_ms: float, least_ms: int = 0, most_ms: int = LONGEST_MS) -> int:
        """Milliseconds in the file, µs out."""
        expected = f"milliseconds from {least_ms} to {most_ms}"
        return round(
            1_000 * float(self.get(key, default_ms, expected, lambda v: _number(v) and least_ms <= v <= most_ms))
        )

    def range_ms(self, key: str, default: tuple[int, int], at_least: int) -> tuple[int, int]:
        def sound(value: Any) -> bool:
            shaped = isinstance(value, list) and len(value) == 2 and all(map(_number, value))
            return shaped and at_least <= value[0] <= value[1] <= LONGEST_MS

        expected = f"two numbers of milliseconds, the shorter first, from {at_least} to {LONGEST_MS}"
        low, high = self.get(key, default, expected, sound)
        return round(low * 1_000), round(high * 1_000)

    def finger(self, key: str) -> int:
        expected = f"one of {', '.join(FINGERS)}"
        name = self.get(key, "nothing", expected, lambda v: v in FINGERS)
        if name not in FINGERS:
            raise self.fail(key, expected, name)
        return FINGERS.index(name)

    def note(self, key: str) -> int | None:
        value = self.get(key, None, "the name of a note in quotes", lambda v: isinstance(v, str))
        try:
            return None if value is None else note_index(value)
        except ValueError:
            raise self.fail(key, f"one of {', '.join(NOTES)}", value) from None

    def tables(self, key: str) -> "list[_Keys]":
        expected = f"tables headed [[{key}]]"
        entries = self.get(key, [], expected, lambda v: isinstance(v, list) and all(isinstance(e, dict) for e in v))
        return [_Keys(self.source, f"{key} {n}: ", entry) for n, entry in enumerate(entries, start=1)]

    def table(self, key: str) -> dict[str, Any]:
        return dict(self.get(key, {}, f"a table headed [{key}]", lambda v: isinstance(v, dict)))

    def finish(self) -> None:
        for key in self._left:
            raise PupilError(self.source, self.place.rstrip(": "), f"only the keys {', '.join(self._asked)}", key)


def _number(value: object) -> TypeGuard[int | float]:
    return type(value) in (int, float)


def _printable(value: object) -> bool:
    return isinstance(value, str) and value.replace("\n", " ").isprintable()


def _scatter(top: _Keys) -> tuple[int, ...]:
    expected = "milliseconds from 0 to 100, or a table of finger = milliseconds (others = …)"
    value = top.get("scatter_ms", None, expected, lambda v: isinstance(v, dict) or _scatter_ms(v))
    if value is None:
        return HUMAN_SCATTER_US
    by_finger = value if isinstance(value, dict) else {"others": value}
    for name, ms in by_finger.items():
        if name not in (*FINGERS, "others") or not _scatter_ms(ms):
            raise top.fail(f"scatter_ms: {name}", f"one of {', '.join(FINGERS)} or others = 0 to 100 ms", ms)
    usual_ms = [by_finger.get("others", us / 1_000) for us in HUMAN_SCATTER_US]
    return tuple(round(1_000 * by_finger.get(name, ms)) for name, ms in zip(FINGERS, usual_ms, strict=True))


def _scatter_ms(value: object) -> bool:
    return _number(value) and 0 <= value <= 100


def _weights(top: _Keys) -> tuple[float, ...]:
    weights = [1.0] * len(NOTES)
    for name, value in top.table("weights").items():
        try:
            note = note_index(name)
        except ValueError:
            raise top.fail("weights", f"names of notes ({', '.join(NOTES)})", name) from None
        if not _number(value) or not 0 <= value <= 1_000_000:
            raise top.fail(f"weights: {name}", "a number from 0 to 1000000", value)
        weights[note] = float(value)
    if sum(weight > 0 for weight in weights) < 2:
        raise top.fail("weights", "at least two notes above 0", "fewer")
    return tuple(weights)


def _tune(top: _Keys) -> tuple[int, ...]:
    text = top.text("tune", "")
    try:
        tune = tuple(note_index(letter) for letter in text.split())
    except ValueError:
        raise top.fail("tune", "ABC letters of G A B c d e f g a with spaces between", text) from None
    if tune and any(a == b for a, b in pairwise((*tune, tune[0]))):
        raise top.fail("tune", "no note twice in a row, the last and the first included", text)
    return tune


def _habit(keys: _Keys) -> Habit:
    early_us, late_us = keys.ms("early_ms", 0), keys.ms("late_ms", 0)
    if (early_us > 0) == (late_us > 0):
        raise keys.fail("early_ms, late_ms", "one of them above 0", "both" if early_us else "neither")
    favour = keys.get("favour", 1.0, "a number from 1 to 1000", lambda v: _number(v) and 1 <= v <= 1000)
    habit = Habit(
        finger=keys.finger("finger"),
        by_us=late_us - early_us,
        from_note=keys.note("from"),
        to_note=keys.note("to"),
        motion=keys.get("motion", None, '"lift" or "lower"', lambda v: v in ("lift", "lower")),
        chance=keys.chance("chance", 1.0),
        favour=float(favour),
    )
    keys.finish()
    return habit


def _wrong_finger(keys: _Keys) -> WrongFinger:
    note, finger = keys.note("note"), keys.finger("finger")
    if note is None:
        raise keys.fail("note", f"one of {', '.join(NOTES)}", "nothing")
    if SOUNDING[STANDARD[note] ^ 1 << finger] != note:
        raise keys.fail("finger", f"a finger that leaves {NOTES[note]} sounding", FINGERS[finger])
    wrong = WrongFinger(note, finger, keys.chance("chance", 1.0))
    keys.finish()
    return wrong
