"""What can be wrong with a lesson, in one plain sentence with what was expected, what came and what to try."""


class LessonError(ValueError):
    """Something of a lesson is not as it should be; `str()` is one plain sentence."""

    def __init__(self, expected: str, got: str, advice: str = "") -> None:
        self.expected, self.got, self.advice = expected, got, advice
        super().__init__(f"expected {expected}, got {got}{'; ' if advice else ''}{advice}")
