"""Lengths and fingers in words, as every sentence about playing has them."""

from fingering.holes import FINGERS


def whole_ms(us: float, uncertainty_us: int = 0) -> int:
    """A duration in milliseconds with no more digits than the uncertainty allows: in tens where it is 10 ms or more."""
    step = int(10 ** max(0, len(str(uncertainty_us // 1_000)) - 1))
    return round(us / (1_000 * step)) * step


def ms(us: float, uncertainty_us: int = 0) -> str:
    """A duration for people."""
    return f"{whole_ms(us, uncertainty_us)} ms"


def finger_name(finger: int) -> str:
    """A finger with its article."""
    return f"the {FINGERS[finger]}"
