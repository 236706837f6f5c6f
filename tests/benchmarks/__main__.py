"""`make bench`: how fast the program is, each figure beside something to compare it with, in the same run."""

from __future__ import annotations

import gc
import platform
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks import playing
from tests.benchmarks.calibration_rows import calibration_rows
from tests.benchmarks.evening_rows import evening_rows
from tests.benchmarks.finger_to_sound import finger_rows
from tests.benchmarks.firmware_delay import firmware_rows
from tests.benchmarks.lesson_rows import lesson_rows
from tests.benchmarks.live_latency import latencies_us
from tests.benchmarks.live_work import live_work_rows
from tests.benchmarks.more_rows import sheet_rows, wire_rows
from tests.benchmarks.page_latency import page_rows
from tests.benchmarks.sound_latency import sound_latency_rows
from tests.benchmarks.sound_rows import sound_rows
from tests.benchmarks.studio_rows import studio_rows


def best_of(runs: int, work: Callable[[], object]) -> float:
    """The shortest of several runs, in seconds: the machine's own noise only ever adds."""
    took = []
    for _ in range(runs):
        gc.collect()
        gc.freeze()  # what earlier rows left lying about is not this one's to look through
        begin = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin)
        gc.unfreeze()
    return min(took)


def machine() -> str:
    """The machine's name as its processor and Python tell it."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = (line.split(":")[1].strip() for line in info.read_text().splitlines() if "model name" in line)
        model = next(names, model)
    return f"{model}, {platform.system()}, Python {platform.python_version()}, numpy {np.__version__}"


def kernel_rows(edge_us: np.ndarray, covered: np.ndarray) -> list[tuple[str, str, str]]:
    """The analysis: what the reading takes of it, how fast the arrays are, memory; whether ten hours cost ten times."""
    from fingering.table import standard_table
    from fingerlead.reading.music import Music
    from fingerlead.timing import kernel
    from fingerlead.timing.analysis import Analysis, analyse
    from fingerlead.timing.results import Settings
    from fingerlead.wire.events import Record
    from tests.timing.plain_judge import judge

    reading_s = []
    read = kernel.read_notes

    def timed(*of: Any, **how: Any) -> object:
        begin = time.perf_counter()
        found = read(*of, **how)
        reading_s[-1] += time.perf_counter() - begin
        return found

    def analysed(edge_us: np.ndarray, covered: np.ndarray, *musics: Music) -> Analysis:
        reading_s.append(0.0)
        record = Record(edge_us[:-1], covered, int(edge_us[-1]), [])
        return analyse(record, standard_table(), playing.TIMING, musics=musics)

    kernel.read_notes = timed
    hour_s = best_of(5, lambda: analysed(edge_us, covered))
    free_s = min(reading_s)
    kernel.read_notes = read
    again_us, again, tune = playing.tune_over_and_over(edge_us, covered)
    tune_free_s = best_of(2, lambda: analysed(again_us, again))
    against_s = best_of(2, lambda: analysed(again_us, again, tune))

    some = 300
    states = list(zip(edge_us[:some].tolist(), covered[:some].tolist(), strict=True))
    plain_s = best_of(1, lambda: judge(states, int(edge_us[some]), [], Settings(), 5_000))
    ratio = plain_s / some / (hour_s / len(covered))

    hours = 10
    length_us = int(edge_us[-1])
    long_us = (edge_us[:-1] + length_us * np.arange(hours)[:, None]).reshape(-1)
    long_us = np.append(long_us, hours * length_us)
    long_covered = np.tile(covered, hours)
    long_s = best_of(2, lambda: analysed(long_us, long_covered))
    tracemalloc.start()
    parts = analysed(long_us, long_covered).parts
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    notes = sum(len(part.note) for part in parts)
    del parts
    return [
        (
            "finger times, leads and strays, one core",
            f"{len(covered) / (hour_s - free_s) / 1e6:.1f} million edges/s",
            "",
        ),
        (
            f"an hour of dense playing ({len(covered):,} edges)",
            f"{hour_s * 1e3:.0f} ms, {peak / notes:.0f} bytes a note",
            f"{ratio:.0f} × plain Python loops; {free_s / hour_s:.0%} of it is the reading",
        ),
        (
            f"a tune of {len(tune.notes)} notes, as long in all, against its music",
            f"{against_s * 1e3:.0f} ms",
            f"{against_s / tune_free_s:.1f} × reading it freely",
        ),
        ("ten hours", f"{long_s * 1e3:.0f} ms", f"{long_s / hours / hour_s:.2f} × an hour, per hour"),
    ]


def file_rows(folder: Path, edge_us: np.ndarray, covered: np.ndarray) -> list[tuple[str, str, str]]:
    """From a session file to arrays and to JSON, beside two readers of the same sounding notes as MIDI."""
    import warnings

    from fingering.table import standard_table
    from fingerlead.reading.music import Music
    from fingerlead.store.intake import load
    from fingerlead.timing.analysis import analyse
    from fingerlead.timing.published import as_json
    from fingerlead.timing.timeline import timing_of

    session, song, again = folder / "hour.session", folder / "hour.mid", folder / "again.session"
    playing.write_session(session, playing.wire_frames(edge_us, covered))
    *tune_edges, tune = playing.tune_over_and_over(edge_us, covered)
    playing.write_session(again, playing.wire_frames(*tune_edges))
    notes = playing.write_sounding_notes(song, edge_us, covered)

    def to_json(path: Path, *musics: Music) -> str:
        loaded = load(path)
        timing = timing_of(loaded.record, loaded.kind)
        analysis = analyse(loaded.record, standard_table(), timing, musics=musics)
        return as_json(analysis, loaded.kind, str(path))

    arrays_s = best_of(9, lambda: load(session))
    json_s = best_of(5, lambda: to_json(session))
    against_s = best_of(3, lambda: to_json(again, tune))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import partitura
        import pretty_midi

        pretty_s = best_of(3, lambda: pretty_midi.PrettyMIDI(str(song)))
        partitura_s = best_of(2, lambda: partitura.load_performance_midi(str(song)))
    return [
        (
            f"session file to arrays, an hour ({notes:,} sounding notes)",
            f"{arrays_s * 1e3:.1f} ms",
            f"{pretty_s / arrays_s:.0f} × pretty_midi ({pretty_s * 1e3:.0f} ms), "
            f"{partitura_s / arrays_s:.0f} × partitura ({partitura_s * 1e3:.0f} ms)",
        ),
        ("session file to JSON, an hour", f"{json_s * 1e3:.0f} ms", f"{json_s / pretty_s:.1f} × pretty_midi"),
        (
            "the tune's hour to JSON, against its music",
            f"{against_s * 1e3:.0f} ms",
            f"{against_s / pretty_s:.1f} × pretty_midi, which reads only the notes",
        ),
    ]


def live_rows() -> list[tuple[str, str, str]]:
    """From a byte's arrival to the change in a listener's hands, beside a loop that only forwards the bytes."""
    took = latencies_us()
    bare = np.percentile(took.bare, [50, 99])
    rows = []
    for what, ours_us in (("state handed on", took.state), ("change told", took.change)):
        ours = np.percentile(ours_us, [50, 99])
        rows.append(
            (
                f"live, byte to {what} ({len(ours_us):,} times)",
                f"median {ours[0] / 1e3:.2f} ms, 99th percentile {ours[1] / 1e3:.2f} ms",
                f"{ours[0] / bare[0]:.1f} and {ours[1] / bare[1]:.1f} × a bare loop "
                f"({bare[0] / 1e3:.2f} and {bare[1] / 1e3:.2f} ms)",
            )
        )
    return rows


def help_rows() -> list[tuple[str, str, str]]:
    """How long the help text takes as a whole process."""
    command = Path(sys.executable).with_name("fingerlead")
    help_s = best_of(7, lambda: subprocess.run([command, "--help"], check=True, capture_output=True))
    bare_s = best_of(7, lambda: subprocess.run([sys.executable, "-c", "pass"], check=True))
    return [
        (
            "fingerlead --help",
            f"{help_s * 1e3:.0f} ms",
            f"{help_s / bare_s:.0f} × a bare Python ({bare_s * 1e3:.0f} ms)",
        )
    ]


def main() -> None:
    """Print the table."""
    edge_us, covered = playing.hour_of_edges()
    with tempfile.TemporaryDirectory() as folder:
        rows = [
            *kernel_rows(edge_us, covered),
            *file_rows(Path(folder), edge_us, covered),
            *wire_rows(best_of),
            *live_rows(),
            *live_work_rows(),
            *sheet_rows(best_of),
            *sound_rows(),
            *sound_latency_rows(),
            *finger_rows(),
            *firmware_rows(),
            *page_rows(),
            *studio_rows(),
            *evening_rows(),
            *lesson_rows(),
            *calibration_rows(best_of),
            *help_rows(),
        ]
    print(f"Measured on {machine()}.\n")
    print("| what | measured | beside |\n| --- | --- | --- |")
    for row in rows:
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
