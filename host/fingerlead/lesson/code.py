"""The code of a lesson: four short words, good for ten minutes, three tries and one pupil.

The first two words say where the lesson is, and are no secret: what carries the lesson shows them. The last two are the
secret, 16 bits. They are never sent, and cannot be tried out but by asking (`keys`); with three tries a stranger's
chance is 3 in 65,536.
"""

import secrets
from dataclasses import dataclass

from fingerlead.lesson.errors import LessonError
from fingerlead.spoken import SpokenError, from_words, to_words

WORDS = 4
GOOD_FOR_US = 600_000_000
TRIES = 3
LONGEST_TYPED = 200


@dataclass(frozen=True, slots=True)
class LessonCode:
    """Four words of those that are read out."""

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


def draw_code() -> LessonCode:
    """A new code."""
    return LessonCode(to_words(secrets.token_bytes(WORDS)))


def read_code(text: str) -> LessonCode:
    """The code that was typed, in any case and with anything between its words; raises LessonError."""
    try:
        return LessonCode(to_words(from_words(text[:LONGEST_TYPED], WORDS)))
    except SpokenError as error:
        raise LessonError(str(error)) from None
