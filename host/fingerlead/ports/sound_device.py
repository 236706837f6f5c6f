"""PortAudio by way of sounddevice: which outputs there are, one of them opened, and its clock.

Everything here runs in the sound's own process, never in the program's: PortAudio sees a new device only when it is
started anew, and some of its drivers take their process down when their server dies.

Which frame sounds when: a device asks for samples in blocks. If it asked for frame F at host time T always on time,
T - F / rate would be one number, the offset; its median over the last blocks is what the clock goes by. So that every
state sounds equally long after it arrived, wherever in a block that was, each gets the frame that is a latency after
it: long enough that this frame was never rendered yet. The latency follows from how the device asks.

    asked      F │←──── block ────→│F'│                 │
    arrived               t
    sounds                ├──── latency ────→ frame_at(t), to the sample
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from typing import Any

# Drift between the two clocks over so many blocks is some 30 µs at most (100 ppm, half a second).
BLOCKS = 256
UPDATE_EVERY = 16
# What the way from the chanter's byte to the device's next question, and that question's own unpunctuality, may take.
MARGIN_US = 500
# So many blocks in a row, all early or all late by more than this: the device has skipped, and counts anew.
SKIP_BLOCKS, SKIP_NS = 8, 1_000_000

WIRED = "plug in headphones or a loudspeaker, and choose it in the sound's settings"
INSTALL = "install it (on Debian and Ubuntu: apt install libportaudio2); until then the page can sound by itself"
# Takes the device for itself alone, so that the rest of the computer falls silent. From memory.
SELFISH = "Windows WDM-KS"
Callback = Callable[..., None]
INVALID_SAMPLE_RATE = -9997  # paInvalidSampleRate of PortAudio's portaudio.h


class SoundClock:
    """The clock of a device at `rate_hz` whose engine wants to know of a change `ahead_frames` before it sounds.

    Pure: host time is an argument.
    """

    def __init__(self, rate_hz: int, ahead_frames: int = 0) -> None:
        self.rate_hz = rate_hz
        self._ahead_ns = ahead_frames * 1_000_000_000 // rate_hz
        self._offsets: deque[int] = deque(maxlen=BLOCKS)
        self._needs: deque[int] = deque(maxlen=BLOCKS)
        self._offset_ns = 0
        self._latency_ns = 0
        self._blocks = 0

    @property
    def latency_us(self) -> int:
        """From a state's arrival to its sound leaving for the device; the device's own delay comes on top."""
        return self._latency_ns // 1_000

    def asked(self, frame: int, frames: int, host_ns: int) -> None:
        """The device asks, at this time in nanoseconds, for so many frames, this one the first."""
        offset_ns = host_ns - self._ns(frame)
        self._offsets.append(offset_ns)
        # To be in time after this block was given out, a state that arrives now must sound later than the block's end.
        self._needs.append(self._ns(frame + frames) - host_ns)
        self._blocks += 1
        if self._blocks <= UPDATE_EVERY or self._blocks % UPDATE_EVERY == 0:
            self._update()
        elif abs(offset_ns - self._offset_ns) > SKIP_NS and self._skipped():
            self._forget_all_but(SKIP_BLOCKS)
            self._update()

    def frame_at(self, host_us: int) -> int:
        """The absolute frame at which something that arrived at `host_us` shall sound."""
        host_ns = host_us * 1_000 + self._latency_ns
        return -(-(host_ns - self._offset_ns) * self.rate_hz // 1_000_000_000)

    def host_us_of(self, frame: int) -> int:
        """When this frame leaves for the device."""
        return (self._offset_ns + self._ns(frame)) // 1_000

    def _update(self) -> None:
        self._offset_ns = sorted(self._offsets)[len(self._offsets) // 2]
        # The few earliest questions do not count: they would keep the latency long for good.
        need_ns = sorted(self._needs)[len(self._needs) * 95 // 100] + self._offset_ns + self._ahead_ns
        margin_ns = MARGIN_US * 1_000
        # Constant is better than short: it moves only where half the margin is gone, or twice the margin is left over.
        if not margin_ns // 2 <= self._latency_ns - need_ns <= 3 * margin_ns:
            self._latency_ns = need_ns + margin_ns

    def _skipped(self) -> bool:
        last = [offset_ns - self._offset_ns for offset_ns in islice(reversed(self._offsets), SKIP_BLOCKS)]
        return all(by > SKIP_NS for by in last) or all(by < -SKIP_NS for by in last)

    def _forget_all_but(self, blocks: int) -> None:
        for kept in (self._offsets, self._needs):
            while len(kept) > blocks:
                kept.popleft()

    def _ns(self, frames: int) -> int:
        return frames * 1_000_000_000 // self.rate_hz


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
    """An output as PortAudio lists it. `by_default`: what its way to the system plays on by default."""

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
    fitting = [output for output in fitting if output.name == wanted] or fitting
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
