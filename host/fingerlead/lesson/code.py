"""The code of a lesson: four short words, good for ten minutes, three tries and one pupil.

The words are of a list of 512, any two of which differ by at least two letters, so that one wrong letter is a word that
is in no code. The first two words say where the lesson is, and are no secret: what carries the lesson shows them. The
last two are the secret, 18 bits. They are never sent, and cannot be tried out but by asking (`keys`); with three
tries a stranger's chance is 3 in 262,144.
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fingerlead.lesson.errors import LessonError

WORDS = 4
GOOD_FOR_US = 600_000_000
TRIES = 3
LONGEST_TYPED = 200


@cache
def word_list() -> tuple[str, ...]:
    """The 512 words, in order."""
    return tuple((files("fingerlead.lesson") / "words.txt").read_text(encoding="ascii").split())


@dataclass(frozen=True, slots=True)
class LessonCode:
    """Four words of the list."""

    words: tuple[str, ...]

    @property
    def subject(self) -> str:
        """Where the lesson is: no secret."""
        return "-".join(self.words[:2])

    @property
    def secret(self) -> bytes:
        """What both know and neither sends."""
        return "-".join(self.words[2:]).encode("ascii")

    def __str__(self) -> str:
        return " ".join(self.words)


def draw_code(choose: Callable[[tuple[str, ...]], str] = secrets.choice) -> LessonCode:
    """A new code."""
    return LessonCode(tuple(choose(word_list()) for _ in range(WORDS)))


def read_code(text: str) -> LessonCode:
    """The code that was typed, in any case and with anything between its words; raises LessonError."""
    shown = text[:LONGEST_TYPED].lower()
    words = "".join(letter if letter.isascii() and letter.isalpha() else " " for letter in shown).split()
    if len(words) != WORDS:
        raise LessonError(f"{WORDS} words", str(len(words)), "type all the words that the teacher reads out")
    for word in words:
        if word not in word_list():
            raise LessonError("words of a lesson's code", f"“{word}”", "ask the teacher to spell that word")
    return LessonCode(tuple(words))
