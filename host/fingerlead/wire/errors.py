"""What can be wrong on the wire, as errors with fields: what was expected, what came, and where."""


class WireError(ValueError):
    """Something on the wire is not as it should be; `str()` is one plain sentence.

    `offset` counts bytes from the start of the payload or the link, None where no place can be named.
    """

    def __init__(self, expected: str, got: str, offset: int | None = None) -> None:
        self.expected, self.got, self.offset = expected, got, offset
        super().__init__(f"expected {expected}, got {got}{'' if offset is None else f' at byte {offset}'}")


class MessageError(WireError):
    """A payload that is no sound message, or a message that cannot be written as one."""


class NotAChanter(WireError):
    """Whatever is at the other end does not speak the chanter's wire. `advice` says what to try."""

    def __init__(self, expected: str, got: str, advice: str) -> None:
        super().__init__(expected, got)
        self.advice = advice

    def __str__(self) -> str:
        return f"this does not look like a chanter: {super().__str__()}; {self.advice}"
