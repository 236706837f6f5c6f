"""A sound system to go wrong as a test wants it: what FAKE_SOUND (JSON) in the environment says.

{"outputs": [{"name", "way", "latency", "own_rate"}], "takes": [rates], "blocks": how many before it goes away,
 "kept": a file that what is played goes to, "missing": whether PortAudio is}
"""

from __future__ import annotations

import json
import os
import threading
import time
from types import SimpleNamespace

_said = json.loads(os.environ["FAKE_SOUND"])
if _said.get("missing"):
    raise OSError("PortAudio library not found")

FRAMES = 128


class PortAudioError(Exception):
    pass


def _ways():
    return list(dict.fromkeys(output.get("way", "way") for output in _said["outputs"]))


def query_hostapis():
    outputs = _said["outputs"]
    firsts = [next(n for n, output in enumerate(outputs) if output.get("way", "way") == way) for way in _ways()]
    return [{"name": way, "default_output_device": first} for way, first in zip(_ways(), firsts, strict=True)]


def query_devices():
    if _said.get("silent"):
        raise PortAudioError("Error querying devices", -9999)
    return [
        {
            "name": output["name"],
            "hostapi": _ways().index(output.get("way", "way")),
            "max_output_channels": output.get("channels", 2),
            "default_low_output_latency": output.get("latency", 0.01),
            "default_samplerate": output.get("own_rate", 48_000.0),
        }
        for output in _said["outputs"]
    ]


class RawOutputStream:
    def __init__(self, samplerate, blocksize, device, channels, dtype, latency, callback, finished_callback):
        if samplerate not in _said.get("takes", [48_000]):
            raise PortAudioError("Error opening RawOutputStream: Invalid sample rate", -9997)
        if _said.get("broken"):
            raise PortAudioError("Error opening RawOutputStream: Device unavailable", -9985)
        self._rate_hz, self._channels, self._fill, self._end = samplerate, channels, callback, finished_callback

    def start(self):
        threading.Thread(target=self._play, daemon=True).start()

    def _play(self):
        status = SimpleNamespace(output_underflow=False)
        for number in range(_said.get("blocks", 1_000_000)):
            out = bytearray(4 * FRAMES * self._channels)
            now_s = time.perf_counter()
            status.output_underflow = number == 3
            times = SimpleNamespace(currentTime=now_s, outputBufferDacTime=now_s + _said.get("delay_s", 0.01))
            self._fill(out, FRAMES, times, status)
            if "kept" in _said:
                with open(_said["kept"], "ab") as kept:
                    kept.write(out)
            time.sleep(FRAMES / self._rate_hz)
        self._end()
