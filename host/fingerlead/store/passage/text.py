"""One great number as text for a chat, and back from what the chat made of it.

    FINGERTIMES
    C7ABHAJM 9KLAW3QD VN4TRXEP FCGH7LYS
    …
    THATSALL

Between the two words is the code, in letters of ALPHABET: its version (1 letter), its length in letters (3), the number
(highest first), and the CRC-32 (ISO 3309, as in zlib) of all that as ASCII (7). The alphabet has nothing that a chat
takes for formatting, and at most one of the letters and digits that look alike: no 0 or O, 1 or I, 2, 5, 6 or 8, no U.

What chats do to it is undone: broken lines, quoting, names before a line, invisible characters, lines of talk (known by
their small letters). All else is refused.
"""

import re
import string
import unicodedata
import zlib

from fingering.toml_file import shortened
from fingerlead.phrases import capital

BEGIN, END = "FINGERTIMES", "THATSALL"
ALPHABET = "ABCDEFGHJKLMNPQRSTVWXYZ3479"
_DIGITS = str.maketrans(ALPHABET, string.digits + string.ascii_lowercase[:17])  # as int() reads base 27
VERSION = 2
LONGEST_MESSAGE = 1_500  # characters, our own choice: most chats take twice as many in one piece
LONGEST_PASTE = 200_000
GROUP, GROUPS = 8, 4
VERSION_LETTERS, LENGTH_LETTERS, CHECK_LETTERS = 1, 3, 7
LEAST = VERSION_LETTERS + LENGTH_LETTERS + 1 + CHECK_LETTERS
AGAIN = f"copy it again, from {BEGIN} to {END}"


class PassageError(ValueError):
    """A passage that cannot be sent, or a message that holds none. `str()` is one sentence with what to try."""

    def __init__(self, expected: str, got: str, advice: str = AGAIN) -> None:
        self.expected, self.got, self.advice = expected, got, advice
        super().__init__(f"expected {expected}; got {got}. {capital(advice)}")


class TooLongError(PassageError):
    """A passage that does not fit into one message."""


def write(number: int) -> str:
    """The message that holds a number from 0 on, of any length."""
    inner = _letters(number, 1)
    length = VERSION_LETTERS + LENGTH_LETTERS + len(inner) + CHECK_LETTERS
    body = _letters(VERSION, VERSION_LETTERS) + _letters(length, LENGTH_LETTERS) + inner
    code = body + _check(body)
    groups = [code[place : place + GROUP] for place in range(0, len(code), GROUP)]
    lines = [" ".join(groups[place : place + GROUPS]) for place in range(0, len(groups), GROUPS)]
    return "\n".join([BEGIN, *lines, END])


def read(text: str) -> int:
    """The number in a message; raises PassageError."""
    if len(text) > LONGEST_PASTE:
        raise PassageError(f"a message of at most {LONGEST_PASTE} characters", f"{len(text)}")
    code, talk = _code_in(_between(_visible(text)))
    hint = f", without this line, which is no code: {shortened(talk[0])}" if talk else ""
    strange = next((letter for letter in code if letter not in ALPHABET), None)
    if strange is not None:
        raise PassageError("a code of capital letters and 3, 4, 7, 9", f"{shortened(strange)} in it{hint}")
    if len(code) > LONGEST_MESSAGE:
        raise PassageError(f"a code of at most {LONGEST_MESSAGE} letters", f"{len(code)}{hint}")
    if len(code) < LEAST:
        raise PassageError(f"a code of at least {LEAST} letters", f"{len(code)}{hint}")
    version = _value(code[:VERSION_LETTERS])
    if version != VERSION:
        raise PassageError(
            f"a message of version {VERSION}",
            f"version {version}{hint}",
            f"{AGAIN}; if that does not help, a newer fingerlead may open it",
        )
    length = _value(code[VERSION_LETTERS : VERSION_LETTERS + LENGTH_LETTERS])
    if length != len(code):
        raise PassageError(f"a code of {length} letters", f"{len(code)}{hint}")
    body = code[:-CHECK_LETTERS]
    if code[-CHECK_LETTERS:] != _check(body):
        raise PassageError("a code that agrees with its check letters", f"one with a letter changed{hint}")
    return _value(body[VERSION_LETTERS + LENGTH_LETTERS :])


def _visible(text: str) -> str:
    """Without characters that take no room: zero width, soft hyphens, marks of writing direction and of byte order."""
    return "".join(letter for letter in text if unicodedata.category(letter) != "Cf")


def _between(text: str) -> str:
    """The text between the first word and the last."""
    begins, ends = (list(re.finditer(f"(?<![A-Za-z0-9]){word}(?![A-Za-z0-9])", text)) for word in (BEGIN, END))
    if not begins and not ends:
        raise PassageError(f"a message from {BEGIN} to {END}", "text without either")
    if len(begins) > 1 or len(ends) > 1:
        raise PassageError(
            f"one message, with {BEGIN} and {END} once each",
            f"{len(begins)} beginnings and {len(ends)} ends",
            "open one message at a time",
        )
    if not begins or not ends:
        raise PassageError(f"a whole message, from {BEGIN} to {END}", f"one without {END if begins else BEGIN}")
    if ends[0].start() < begins[0].end():
        raise PassageError(f"a message from {BEGIN} to {END}", f"{END} first")
    return text[begins[0].end() : ends[0].start()]


def _code_in(text: str) -> tuple[str, list[str]]:
    """The letters of the code, and the lines of talk among them, which were left out."""
    code, talk = [], []
    for line in text.splitlines():
        # No code has a colon: before one there is a name or a time of day.
        line = re.sub(r"^.*:(?=\s|$)", "", line).lstrip(" \t\u00a0>|")
        if any(letter.islower() for letter in line):
            talk.append(line)
        else:
            code.append("".join(line.split()))
    return "".join(code), talk


def _letters(number: int, fewest: int) -> str:
    letters = ""
    while number or len(letters) < fewest:
        number, place = divmod(number, len(ALPHABET))
        letters = ALPHABET[place] + letters
    return letters


def _value(letters: str) -> int:
    return int(letters.translate(_DIGITS), len(ALPHABET))


def _check(body: str) -> str:
    return _letters(zlib.crc32(body.encode("ascii")), CHECK_LETTERS)
