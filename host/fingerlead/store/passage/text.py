"""One great number as text for a chat, and back from what the chat made of it.

    FINGERTIMES
    C7ABHAJM 9KLAW3QD VN4TRXEP FCGH7LYS
    …
    THATSALL

Between the two words is the code, in letters of ALPHABET: its version (1 letter), its length in letters (3), the number
(highest first), and the CRC-32 (ISO 3309, as in zlib) of all that as ASCII (7). The alphabet has nothing that a chat
takes for formatting, and at most one of the letters and digits that look alike: no 0 or O, 1 or I, 2, 5, 6 or 8, no U.

A code that is too long for one message is cut into as many as it takes, each with a line such as “1 of 3” before it. A
part's code has PART in place of the version, its length (3), which part it is and of how many (1 each), the CRC-32 of
the whole code (7), its piece of the whole code, and a CRC-32 of its own (7). Parts are joined in any order.

What chats do to it is undone: broken lines, quoting, names before a line, invisible characters, lines of talk (known by
their small letters). All else is refused.
"""

import re
import string
import unicodedata
import zlib

from fingering.toml_file import shortened
from fingerlead.phrases import capital, listed

BEGIN, END = "FINGERTIMES", "THATSALL"
ALPHABET = "ABCDEFGHJKLMNPQRSTVWXYZ3479"
_DIGITS = str.maketrans(ALPHABET, string.digits + string.ascii_lowercase[:17])  # as int() reads base 27
VERSION = 2
LONGEST_MESSAGE = 1_500  # characters, our own choice: most chats take twice as many in one piece
PART, MOST_PARTS = len(ALPHABET) - 1, 16
BETWEEN = "\n\n"
LONGEST_PASTE = 200_000
GROUP, GROUPS = 8, 4
VERSION_LETTERS, LENGTH_LETTERS, CHECK_LETTERS = 1, 3, 7
# What a part has beside its piece, and the longest piece that fits into a message with all its spaces.
PART_LETTERS = VERSION_LETTERS + LENGTH_LETTERS + 2 + 2 * CHECK_LETTERS
LONGEST_PIECE = 1_290
LONGEST_CODE = MOST_PARTS * LONGEST_PIECE - CHECK_LETTERS
DIGITS_AT_ONCE = 1_000  # int() reads only so many
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
    """The message that holds a number from 0 on; where it is too long for one, its parts with BETWEEN them.

    What is too long for MOST_PARTS is one long message, which no program opens.
    """
    code = _sealed(VERSION, _letters(number, 1))
    message = _laid_out(code)
    count = -(-len(code) // LONGEST_PIECE)
    if len(message) <= LONGEST_MESSAGE or count > MOST_PARTS:
        return message
    size = -(-len(code) // count)
    pieces = [code[place : place + size] for place in range(0, len(code), size)]
    whole, of = _check(code), _letters(count, 1)
    return BETWEEN.join(
        f"{number} of {count}\n{_laid_out(_sealed(PART, _letters(number, 1) + of + whole + piece))}"
        for number, piece in enumerate(pieces, 1)
    )


def _sealed(mark: int, inner: str) -> str:
    """A code with its mark, its length and its check letters."""
    length = VERSION_LETTERS + LENGTH_LETTERS + len(inner) + CHECK_LETTERS
    body = _letters(mark, VERSION_LETTERS) + _letters(length, LENGTH_LETTERS) + inner
    return body + _check(body)


def _laid_out(code: str) -> str:
    """A code as it stands in a chat."""
    groups = [code[place : place + GROUP] for place in range(0, len(code), GROUP)]
    lines = [" ".join(groups[place : place + GROUPS]) for place in range(0, len(groups), GROUPS)]
    return "\n".join([BEGIN, *lines, END])


def read(text: str) -> int:
    """The number in a message; raises PassageError."""
    if len(text) > LONGEST_PASTE:
        raise PassageError(f"a message of at most {LONGEST_PASTE} characters", f"{len(text)}")
    codes = [_checked(each) for each in _between(_visible(text))]
    code = codes[0]
    if _value(code[:VERSION_LETTERS]) == PART:
        code = _joined(codes)
    elif len(codes) > 1:
        raise _several(len(codes), len(codes))
    return _value(code[VERSION_LETTERS + LENGTH_LETTERS : -CHECK_LETTERS])


def _joined(codes: list[str]) -> str:
    """The whole code of some parts, in any order and each as often as it came."""
    at = VERSION_LETTERS + LENGTH_LETTERS
    found = {
        (code[at + 1], code[at + 2 : at + 2 + CHECK_LETTERS], code[at]): code[at + 2 + CHECK_LETTERS : -CHECK_LETTERS]
        for code in codes
        if _value(code[:VERSION_LETTERS]) == PART and len(code) > PART_LETTERS
    }
    passages = {(count, whole) for count, whole, _ in found}
    if len(passages) != 1 or any(_value(code[:VERSION_LETTERS]) != PART for code in codes):
        raise PassageError("parts of one passage", "parts of several", "open one passage at a time")
    ((count, whole),) = passages
    of = _value(count)
    pieces = {_value(number): piece for (_, _, number), piece in found.items()}
    if missing := [str(number) for number in range(1, of + 1) if number not in pieces]:
        raise PassageError(
            f"all {of} messages of this passage",
            f"{len(pieces)} of them",
            f"paste {listed(missing)} of {of} too, in any order",
        )
    code = "".join(pieces[number] for number in sorted(pieces))
    if _check(code) != whole or _value(code[:VERSION_LETTERS]) == PART:
        raise PassageError("parts that agree with their check letters", "a part that is another's")
    return _checked(code, LONGEST_CODE)


def _checked(text: str, most: int = LONGEST_MESSAGE) -> str:
    """The code in what stands between the two words, whole and of a version that is known; raises PassageError."""
    code, talk = _code_in(text)
    hint = f", without this line, which is no code: {shortened(talk[0])}" if talk else ""
    strange = next((letter for letter in code if letter not in ALPHABET), None)
    if strange is not None:
        raise PassageError("a code of capital letters and 3, 4, 7, 9", f"{shortened(strange)} in it{hint}")
    if len(code) > most:
        raise PassageError(f"a code of at most {most} letters", f"{len(code)}{hint}")
    if len(code) < LEAST:
        raise PassageError(f"a code of at least {LEAST} letters", f"{len(code)}{hint}")
    version = _value(code[:VERSION_LETTERS])
    if version not in (VERSION, PART):
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
    return code


def _visible(text: str) -> str:
    """Without characters that take no room: zero width, soft hyphens, marks of writing direction and of byte order."""
    return "".join(letter for letter in text if unicodedata.category(letter) != "Cf")


def _between(text: str) -> list[str]:
    """What stands between the two words, of each message that there is."""
    begins, ends = (list(re.finditer(f"(?<![A-Za-z0-9]){word}(?![A-Za-z0-9])", text)) for word in (BEGIN, END))
    if not begins and not ends:
        raise PassageError(f"a message from {BEGIN} to {END}", "text without either")
    if len(begins) != len(ends) and max(len(begins), len(ends)) > 1:
        raise _several(len(begins), len(ends))
    if not begins or not ends:
        raise PassageError(f"a whole message, from {BEGIN} to {END}", f"one without {END if begins else BEGIN}")
    spans = [(begin.end(), end.start()) for begin, end in zip(begins, ends, strict=True)]
    places = [place for span in spans for place in span]
    if places != sorted(places):
        raise PassageError(f"a message from {BEGIN} to {END}", f"{END} first")
    return [text[begin:end] for begin, end in spans]


def _several(begins: int, ends: int) -> PassageError:
    return PassageError(
        f"one message, with {BEGIN} and {END} once each",
        f"{begins} beginnings and {ends} ends",
        "open one message at a time",
    )


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
    digits, value = letters.translate(_DIGITS), 0
    for place in range(0, len(digits), DIGITS_AT_ONCE):
        some = digits[place : place + DIGITS_AT_ONCE]
        value = value * len(ALPHABET) ** len(some) + int(some, len(ALPHABET))
    return value


def _check(body: str) -> str:
    return _letters(zlib.crc32(body.encode("ascii")), CHECK_LETTERS)
