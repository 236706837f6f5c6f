"""PortAudio by way of sounddevice: which outputs there are, and one of them opened.

Everything here runs in the sound's own process, never in the program's: PortAudio sees a new device only when it is
started anew, and some of its drivers take their process down when their server dies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

WIRED = "plug in headphones or a loudspeaker, and choose it in the sound's settings"
INSTALL = "install it (on Debian and Ubuntu: apt install libportaudio2); until then the page can sound by itself"
# Takes the device for itself alone, so that the rest of the computer falls silent. From memory.
SELFISH = "Windows WDM-KS"
Callback = Callable[..., None]
INVALID_SAMPLE_RATE = -9997  # paInvalidSampleRate of PortAudio's portaudio.h


class SoundRefused(Exception):
    """No sound: `cause` is what came, `advice` what to try; str() is the whole sentence. `device` may be ""."""

    def __init__(self, device: str, cause: str, advice: str) -> None:
        self.device, self.cause, self.advice = device, cause, advice
        whole = f"{device}: {cause}; {advice}" if device else f"{cause}; {advice}"
        super().__init__(whole[0].upper() + whole[1:])

    def __reduce__(self) -> tuple[Any, ...]:
        return SoundRefused, (self.device, self.cause, self.advice)


@dataclass(frozen=True, slots=True)
class Output:
    """An output as PortAudio lists it. `by_default`: what its way to the system plays on unless told."""

    index: int
    name: str
    way: str
    channels: int
    low_latency_s: float
    own_rate_hz: int
    by_default: bool


def portaudio() -> Any:
    """The module sounddevice; raises SoundRefused where it or PortAudio is missing."""
    try:
        import sounddevice
    except ImportError:
        raise SoundRefused("", "the Python package sounddevice is missing", "pip install sounddevice") from None
    except OSError as error:
        raise SoundRefused("", f"the PortAudio library is missing ({error})", INSTALL) from None
    return sounddevice


def outputs(library: Any) -> list[Output]:
    """All outputs, in PortAudio's order; raises SoundRefused."""
    try:
        ways = library.query_hostapis()
        return [
            Output(
                index,
                str(device["name"]),
                str(ways[device["hostapi"]]["name"]),
                int(device["max_output_channels"]),
                float(device["default_low_output_latency"]),
                round(device["default_samplerate"]),
                ways[device["hostapi"]]["default_output_device"] == index,
            )
            for index, device in enumerate(library.query_devices())
            if device["max_output_channels"] > 0
        ]
    except library.PortAudioError as error:
        raise SoundRefused("", f"the sound system does not answer ({_plain(error)})", WIRED) from None


def chosen(found: list[Output], wanted: str | None) -> Output:
    """The output that has `wanted` in its name, or the system's own choice; raises SoundRefused.

    Where one name leads there by several ways, the quickest is taken.
    """
    if not found:
        raise SoundRefused(wanted or "", "there is no sound output at all", WIRED)
    if wanted is None:
        usual = [output for output in found if output.by_default and output.way != SELFISH] or found
        return min(usual, key=lambda output: output.low_latency_s)
    fitting = [output for output in found if wanted.casefold() in output.name.casefold()]
    exact = [output for output in fitting if output.name == wanted]
    fitting = exact or fitting
    names = dict.fromkeys(output.name for output in fitting)
    if len(names) == 1:
        polite = [output for output in fitting if output.way != SELFISH] or fitting
        return min(polite, key=lambda output: output.low_latency_s)
    if names:
        raise SoundRefused(wanted, f"several outputs have that in their names: {'; '.join(names)}", "write more of it")
    others = "; ".join(dict.fromkeys(output.name for output in found))
    raise SoundRefused(wanted, f"there is no sound output of that name (there are: {others})", WIRED)


def opened(library: Any, output: Output, rate_hz: int, fill: Callback, end: Callback) -> tuple[Any, int, str]:
    """A stream, not started yet, its rate, and a sentence where that is not the one wanted; raises SoundRefused."""
    try:
        return _stream(library, output, rate_hz, fill, end), rate_hz, ""
    except library.PortAudioError as error:
        if INVALID_SAMPLE_RATE not in error.args or output.own_rate_hz == rate_hz:
            raise SoundRefused(output.name, f"it cannot be opened ({_plain(error)})", "try another one") from None
    own_hz = output.own_rate_hz
    try:
        stream = _stream(library, output, own_hz, fill, end)
    except library.PortAudioError as error:
        cause = f"it takes neither {rate_hz} nor {own_hz} samples a second ({_plain(error)})"
        raise SoundRefused(output.name, cause, "try another one") from None
    return stream, own_hz, f"{output.name} plays {own_hz} samples a second, not {rate_hz}."


def _stream(library: Any, output: Output, rate_hz: int, fill: Callback, end: Callback) -> Any:
    # The device's own block: anything else makes PortAudio hold samples back to fit.
    return library.RawOutputStream(
        samplerate=rate_hz,
        blocksize=0,
        device=output.index,
        channels=min(2, output.channels),
        dtype="float32",
        latency="low",
        callback=fill,
        finished_callback=end,
    )


def _plain(error: Exception) -> str:
    return str(error.args[0]) if error.args else type(error).__name__
