"""Many small numbers in one great one, and back: what is common costs little, and every whole number means something.

An asymmetric numeral system (J. Duda, "Asymmetric numeral systems", 2009, arXiv:0902.0271; from memory) on one integer
of any length, which spares all care for carries. A `Habit` counts what came before, so that common symbols are cheap;
both sides count alike. The last symbol is put in first, so `Packer` keeps all until `packed`.
"""

from __future__ import annotations

# How much one sight of a symbol weighs against never having seen it.
WEIGHT = 24
# Bits of the greatest number that `number` can write.
WIDEST = 63


class Habit:
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


class Sizes(Habit):
    """A habit of numbers: how many bits they have."""

    def __init__(self) -> None:
        super().__init__(WIDEST + 1)


class Packer:
    """Takes symbols and numbers; gives one integer."""

    def __init__(self) -> None:
        self._shares: list[tuple[int, int, int]] = []

    def symbol(self, symbol: int, habit: Habit) -> None:
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

    def symbol(self, habit: Habit) -> int:
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
