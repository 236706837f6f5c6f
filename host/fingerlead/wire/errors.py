"""What can be wrong on the wire, as errors with fields: what was expected, what came, and where."""


class WireError(ValueError):
    """Something on the wire is not as it should be; `str()` is one plain sentence.

    `offset` counts bytes from the start of the payload or the link, None where no place can be named.
    """

    def __init__(self, expected: str, got: str, offset: int | None = None) -> None:
        self.expected = expected
        self.got = got
        self.offset = offset
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The error in words."""
        place = "" if self.offset is None else f" at byte {self.offset}"
        return f"expected {self.expected}, got {self.got}{place}"


class MessageError(WireError):
    """A payload that is no sound message, or a message that cannot be written as one."""


class NotAChanter(WireError):
    """Whatever is at the other end does not speak the chanter's wire. `advice` says what to try."""

    def __init__(self, expected: str, got: str, advice: str, offset: int | None = None) -> None:
        self.advice = advice
        super().__init__(expected, got, offset)

    def sentence(self) -> str:
        """The error in words, with what to try."""
        return f"this does not look like a chanter: expected {self.expected}, got {self.got}; {self.advice}"
