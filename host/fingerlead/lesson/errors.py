"""What can be wrong with a lesson, in one plain sentence with what was expected, what came and what to try."""


class LessonError(ValueError):
    """Something of a lesson is not as it should be; `str()` is one plain sentence."""


def unexpected(expected: str, got: object, advice: str = "") -> LessonError:
    """The error of something that is not as expected."""
    return LessonError(f"expected {expected}, got {got}{'; ' if advice else ''}{advice}")
