"""One great number as text for a chat, and back from whatever the chat made of it.

    FINGERTIMES
    C7ABHAJM 9KLAW3QD VN4TRXEP FCGH7LYS
    …
    THATSALL

Between the two words stands the code, in letters of ALPHABET: its version (1 letter), its length in letters (3), the
number (highest first), and the CRC-32 (ISO 3309, as zlib has it) of all that as ASCII (7). The alphabet has nothing
that a chat takes for formatting, and of the letters and digits that look alike one at most: no 0 or O, 1 or I, 2, 5,
6 or 8, and no U.

What chats do to it is undone: broken lines, quoting, names before a line, invisible characters, lines of talk (known by
their small letters). All else is refused.
"""

from __future__ import annotations

import re
import unicodedata
import zlib

# --- Many small numbers in one great one, and back: what is common costs little, and every whole number means something.
#
# An asymmetric numeral system (J. Duda, "Asymmetric numeral systems", 2009, arXiv:0902.0271; from memory) on one integer
# of any length, which spares all care for carries. A `Habit` counts what came before, so that common symbols are cheap;
# both sides count alike. The last symbol is put in first, so `Packer` keeps all until `packed`.

# How much one sight of a symbol weighs against never having seen it.
WEIGHT = 24
# Bits of the greatest number that `number` can write.
WIDEST = 63


class SymbolCounts:
    """How often each of `symbols` symbols has come."""

    def __init__(self, symbols: int) -> None:
        self.counts = [1] * symbols

    def share(self, symbol: int) -> tuple[int, int, int]:
        """Where the symbol's share begins, how wide it is, and the sum of all."""
        return sum(self.counts[:symbol]), self.counts[symbol], sum(self.counts)

    def symbol_at(self, place: int) -> int:
        """The symbol in whose share a place lies."""
        for symbol, count in enumerate(self.counts):
            if place < count:
                return symbol
            place -= count
        raise ValueError(f"expected a place below {sum(self.counts)}")

    def saw(self, symbol: int) -> None:
        """Count a symbol."""
        self.counts[symbol] += WEIGHT


class Sizes(SymbolCounts):
    """A habit of numbers: how many bits they have."""

    def __init__(self) -> None:
        super().__init__(WIDEST + 1)


class Packer:
    """Takes symbols and numbers; gives one integer."""

    def __init__(self) -> None:
        self._shares: list[tuple[int, int, int]] = []

    def symbol(self, symbol: int, habit: SymbolCounts) -> None:
        """One of the habit's symbols."""
        self._shares.append(habit.share(symbol))
        habit.saw(symbol)

    def among(self, value: int, values: int) -> None:
        """One of `values` values, all alike."""
        self._shares.append((value, 1, values))

    def number(self, value: int, sizes: Sizes) -> None:
        """A number from 0 to 2**63 - 1: how many bits it has, then those below the highest."""
        bits = value.bit_length()
        self.symbol(bits, sizes)
        if bits > 1:
            self.among(value - (1 << bits - 1), 1 << bits - 1)

    def signed(self, value: int, sizes: Sizes) -> None:
        """A number of either sign."""
        self.number(2 * value if value >= 0 else -2 * value - 1, sizes)

    def packed(self) -> int:
        """All of it."""
        packed = 0
        for begin, width, whole in reversed(self._shares):
            packed = packed // width * whole + begin + packed % width
        return packed


class Unpacker:
    """Gives back what a Packer took, asked for in the same order; `rest` is 0 when all has been given."""

    def __init__(self, packed: int) -> None:
        self.rest = packed

    def symbol(self, habit: SymbolCounts) -> int:
        """The next symbol."""
        whole = sum(habit.counts)
        place = self.rest % whole
        symbol = habit.symbol_at(place)
        begin, width, _ = habit.share(symbol)
        self.rest = self.rest // whole * width + place - begin
        habit.saw(symbol)
        return symbol

    def among(self, values: int) -> int:
        """The next of `values` values."""
        self.rest, value = divmod(self.rest, values)
        return value

    def number(self, sizes: Sizes) -> int:
        """The next number."""
        bits = self.symbol(sizes)
        return bits if bits < 2 else (1 << bits - 1) + self.among(1 << bits - 1)

    def signed(self, sizes: Sizes) -> int:
        """The next number of either sign."""
        value = self.number(sizes)
        return -(value + 1 >> 1) if value & 1 else value >> 1


# ---

BEGIN, END = "FINGERTIMES", "THATSALL"
ALPHABET = "ABCDEFGHJKLMNPQRSTVWXYZ3479"
VERSION = 1
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
        super().__init__(f"expected {expected}; got {got}. {advice[:1].upper()}{advice[1:]}")


class TooLongError(PassageError):
    """A passage that does not fit into one message."""


def write(number: int) -> str:
    """The message that holds a number from 0 on, of any length."""
    inner = _letters(number, max(1, _letters_needed(number)))
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
    hint = f", without this line, which is no code: {_shown(talk[0])}" if talk else ""
    strange = next((letter for letter in code if letter not in ALPHABET), None)
    if strange is not None:
        raise PassageError("a code of capital letters and 3, 4, 7, 9", f"{_shown(strange)} in it{hint}")
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


def holds_message(text: str) -> bool:
    """Whether the text has the beginning or the end of a message in it."""
    return BEGIN in text or END in text


def _visible(text: str) -> str:
    """Without characters that take no room: zero width, soft hyphens, marks of writing direction and of byte order."""
    return "".join(letter for letter in text if unicodedata.category(letter) != "Cf")


def _between(text: str) -> str:
    """What stands between the first word and the last."""
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
        missing = BEGIN if not begins else END
        raise PassageError(f"a whole message, from {BEGIN} to {END}", f"one without {missing}")
    if ends[0].start() < begins[0].end():
        raise PassageError(f"a message from {BEGIN} to {END}", f"{END} first")
    return text[begins[0].end() : ends[0].start()]


def _code_in(text: str) -> tuple[str, list[str]]:
    """The letters of the code, and the lines of talk among them, which were left out."""
    code, talk = [], []
    for line in text.splitlines():
        # No code has a colon: what stands before one is a name or a time of day.
        line = re.sub(r"^.*:(?=\s|$)", "", line).lstrip(" \t\u00a0>|")
        if any(letter.islower() for letter in line):
            talk.append(line)
        else:
            code.append("".join(line.split()))
    return "".join(code), talk


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:39] + "…")


def _letters_needed(number: int) -> int:
    needed = 0
    while number:
        number //= len(ALPHABET)
        needed += 1
    return needed


def _letters(number: int, count: int) -> str:
    letters = []
    for _ in range(count):
        number, place = divmod(number, len(ALPHABET))
        letters.append(ALPHABET[place])
    return "".join(reversed(letters))


def _value(letters: str) -> int:
    value = 0
    for letter in letters:
        value = value * len(ALPHABET) + ALPHABET.index(letter)
    return value


def _check(body: str) -> str:
    return _letters(zlib.crc32(body.encode("ascii")), CHECK_LETTERS)
