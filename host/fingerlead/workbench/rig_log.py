"""What a logic analyser or a second board logged beside a chanter: lines that are high or low, and when they toggle.

Stage: the bytes of a log -> `Log`. Three kinds are told by their content:

- CSV: a header, then a row for each sample or each change. Lines that begin with `;` or `#` say nothing.
- VCD: the value change dump of IEEE 1364, section 18 (from memory): wires of one bit.
- sigrok's session: a ZIP file with `metadata`, an INI text, and the samples in `logic-1-1`, `logic-1-2` …, or in
  `logic-1`; https://sigrok.org/wiki/File_format:Sigrok/v2. Sample n is the n-th group of `unitsize` bytes, lowest
  first, and `probe3` is its bit 2.

A name with a `!` before it is that of a line upside down: `!contact` is low while the contact is closed. Lines that the
rig does not name are left out. A log may be far longer than what is in it: samples are read piece by
piece, only toggles are kept, and there is a limit to both.
"""

import configparser
import csv
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO

import numpy as np
from numpy.typing import NDArray

from fingering.holes import HOLES

HOLE_LINES = tuple(f"hole{hole}" for hole in range(HOLES))
LINES = ("contact", "top", "scan", *HOLE_LINES)
MOST_TOGGLES = 10_000_000
MOST_SAMPLE_BYTES = 2 << 30
MOST_METADATA = 1 << 16
LONGEST_LINE = 1 << 16
GREATEST_US = 10**12  # eleven days
PIECE = 1 << 22
NEEDS = "name the rim's contact `contact` and each hole's pin `hole0` (the thumb's) to `hole7`"
_UNITS_US = {"s": 1e6, "ms": 1e3, "us": 1.0, "µs": 1.0, "ns": 1e-3, "ps": 1e-6, "fs": 1e-9}
_TIME = re.compile(r"time[\s_]*[\[(]?\s*(s|ms|us|µs|ns)?\s*[\])]?", re.IGNORECASE)  # without a unit it is refused
_RATES_HZ = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}


class RigLogError(ValueError):
    """A log that cannot be read; str() is one sentence."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line: whether it is high at first, and when it toggles, int64[n] µs, rising."""

    high: bool
    toggles_us: NDArray[np.int64]

    def rising(self, up: bool = True) -> NDArray[np.int64]:
        """When it goes up, or down."""
        return self.toggles_us[int(self.high == up) :: 2]


@dataclass(frozen=True, slots=True)
class Log:
    """The lines of a log by name, on one clock that begins at 0."""

    lines: dict[str, Line]
    end_us: int


def read_log(file: IO[bytes]) -> Log:
    """A log, whatever its kind, from a file that can be sought. Raises RigLogError; OSError where it cannot be read."""
    head = file.read(4096)
    file.seek(0)
    if head.startswith(b"PK"):
        log = _sigrok(file)
    elif re.match(rb"\s*\$(date|version|timescale|comment|scope|var)\b", head):
        log = _vcd(file)
    else:
        log = _csv(file)
    log = Log({name.removeprefix("!"): _upright(name, line) for name, line in log.lines.items()}, log.end_us)
    if "contact" not in log.lines:
        raise RigLogError(f"expected a line `contact`, the truth at the rim, but there is none; {NEEDS}")
    if not any(name in log.lines for name in HOLE_LINES):
        raise RigLogError(f"expected a line of at least one hole, `hole0` to `hole7`, but there is none; {NEEDS}")
    return log


def line_name(text: str) -> str:
    """A line's name as the rig knows it: `Hole 3`, `hole_3` and `HOLE3` are one."""
    return re.sub(r"[\s_\-]+", "", text.strip().lower())


def _upright(name: str, line: Line) -> Line:
    return Line(not line.high, line.toggles_us) if name.startswith("!") else line


class _Toggles:
    """Gathers the toggles of lines. Times never fall."""

    def __init__(self, names: Iterable[str]) -> None:
        self.high: dict[str, bool] = {}
        self.now: dict[str, bool] = {}
        self.toggles: dict[str, list[NDArray[np.int64]]] = {name: [] for name in names}
        self.single: dict[str, list[int]] = {name: [] for name in self.toggles}
        self.count = 0

    def see(self, name: str, t_us: int, high: bool) -> None:
        """What a line is now."""
        if self.now.get(name) == high:
            return
        if name in self.now:
            self.single[name].append(t_us)
            self.add(1)
        else:
            self.high[name] = high
        self.now[name] = high

    def add(self, count: int) -> None:
        """Count toggles; RigLogError where they are too many to be a finger's."""
        self.count += count
        if self.count > MOST_TOGGLES:
            raise RigLogError(
                f"expected at most {MOST_TOGGLES:,} toggles of all lines together, but there are more; "
                "log a shorter time, or look for a line that hums"
            )

    def log(self, end_us: int) -> Log:
        lines = {}
        for name, high in self.high.items():
            toggles = [*self.toggles[name], np.array(self.single[name], dtype=np.int64)]
            lines[name] = Line(high, np.concatenate(toggles))
        return Log(lines, end_us)


def _named(names: Iterable[tuple[str, str]]) -> dict[str, str]:
    """The rig's lines among (key, name) of a log, by key; RigLogError where two have one name."""
    found: dict[str, str] = {}
    for key, text in names:
        name = line_name(text)
        if name.removeprefix("!") in LINES:
            if {name.removeprefix("!"), f"!{name.removeprefix('!')}"} & set(found.values()):
                raise RigLogError(f"expected each line once, but two are called `{name}`; rename one")
            found[key] = name
    return found


# -- CSV ---------------------------------------------------------------------------------------------------------------


def _csv(file: IO[bytes]) -> Log:
    rows = _rows(file)
    header = next(rows, [])
    at = next((place for place, name in enumerate(header) if _TIME.fullmatch(name.strip())), None)
    if at is None:
        raise RigLogError(
            "expected a CSV with a header in which a column is called time_us or time_s, a VCD or a sigrok session, "
            f"but the first line is {', '.join(header)[:60]!r}"
        )
    unit = _TIME.fullmatch(header[at].strip())
    if unit is None or unit[1] is None:
        raise RigLogError(f"expected the time's unit in its name, as time_us has it, but it is {header[at][:40]!r}")
    scale = _UNITS_US[unit[1].lower()]
    columns = _named((str(place), name) for place, name in enumerate(header) if place != at)
    wanted = [(int(place), name) for place, name in columns.items()]
    toggles, first_us, last_us = _Toggles(columns.values()), 0, 0
    for number, row in enumerate(rows, 2):
        try:
            t_us = round(float(row[at]) * scale)
            levels = [(name, _LEVELS[row[place].strip().lower()]) for place, name in wanted]
        except (IndexError, KeyError, ValueError, OverflowError):
            raise RigLogError(
                f"expected a time and a 0 or 1 for each line in row {number}, but it is {', '.join(row)[:60]!r}"
            ) from None
        if number == 2:
            first_us = last_us = t_us
        last_us = _next_us(last_us, t_us, f"row {number}")
        _within(last_us - first_us)
        for name, high in levels:
            toggles.see(name, t_us - first_us, high)
    return toggles.log(last_us - first_us)


def _rows(file: IO[bytes]) -> Iterator[list[str]]:
    """The rows that are not empty."""
    try:
        yield from filter(None, csv.reader(_text_lines(file)))
    except csv.Error as error:
        raise RigLogError(f"expected rows with commas between, but one cannot be read ({error})") from None


_LEVELS = {"0": False, "1": True, "0.0": False, "1.0": True, "low": False, "high": True}


def _text_lines(file: IO[bytes]) -> Iterator[str]:
    number = 0
    while line := file.readline(LONGEST_LINE):
        number += 1
        if len(line) == LONGEST_LINE:
            raise RigLogError(f"expected lines of text, but line {number} has no end; is this a log?")
        if b"\0" in line:
            raise RigLogError(f"expected text, but line {number} has a byte 0 in it; is this a log?")
        text = line.decode("utf-8-sig" if number == 1 else "utf-8", errors="replace")
        if not text.lstrip().startswith((";", "#")):
            yield text


def _next_us(before_us: int, t_us: int, where: str) -> int:
    if t_us < before_us:
        raise RigLogError(
            f"expected times that go on, but {where} goes back from {before_us} to {t_us} µs; log it anew"
        )
    return t_us


def _within(t_us: int) -> None:
    if t_us > GREATEST_US:
        raise RigLogError("expected a log of some minutes, but its times go on for more than eleven days; which unit?")


# -- VCD ---------------------------------------------------------------------------------------------------------------


def _vcd(file: IO[bytes]) -> Log:
    tokens = _vcd_tokens(file)
    scale_us, names = 1.0, []
    for token in tokens:
        if token == "$enddefinitions":
            break
        if token == "$timescale":
            text = "".join(_until_end(tokens))
            found = re.fullmatch(r"(1|10|100)(s|ms|us|ns|ps|fs)", text)
            if found is None:
                raise RigLogError(f"expected a timescale such as 1 us, but it is {text[:40]!r}")
            scale_us = int(found[1]) * _UNITS_US[found[2]]
        elif token == "$var":
            parts = list(_until_end(tokens))
            if len(parts) < 4:
                raise RigLogError(
                    f"expected a variable's kind, size, sign and name, but it is {' '.join(parts)[:60]!r}"
                )
            names.append((parts[2], parts[3]))
        elif token.startswith("$"):
            list(_until_end(tokens))
    else:
        raise RigLogError("expected $enddefinitions after the names of the lines, but the file ends before it")
    wanted = _named(names)
    toggles, first_us, t_us = _Toggles(wanted.values()), None, 0
    for token in tokens:
        if token.startswith("#"):
            try:
                now_us = round(int(token[1:]) * scale_us)
            except (ValueError, OverflowError):
                raise RigLogError(f"expected a time after #, but it is {token[:40]!r}") from None
            t_us = _next_us(t_us if first_us is not None else now_us, now_us, f"the time {token[:40]}")
            first_us = now_us if first_us is None else first_us
            _within(t_us - first_us)
        elif token[0] in "01" and token[1:] in wanted:
            toggles.see(wanted[token[1:]], t_us - (first_us or 0), token[0] == "1")
    return toggles.log(t_us - (first_us or 0))


def _vcd_tokens(file: IO[bytes]) -> Iterator[str]:
    while line := file.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise RigLogError("expected lines of text in the VCD, but one has no end; is it whole?")
        yield from line.decode("utf-8", errors="replace").split()


def _until_end(tokens: Iterator[str]) -> Iterator[str]:
    for token in tokens:
        if token == "$end":
            return
        yield token


# -- sigrok's session --------------------------------------------------------------------------------------------------


def _sigrok(file: IO[bytes]) -> Log:
    try:
        with zipfile.ZipFile(file) as archive:
            return _session(archive)
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, EOFError, zlib.error) as error:
        raise RigLogError(f"expected a sigrok session, a whole ZIP file, but it cannot be read ({error})") from None


def _session(archive: zipfile.ZipFile) -> Log:
    about = _metadata(archive)
    rate_hz, unit = _rate_hz(about.get("samplerate", "")), _whole(about.get("unitsize", "1"), "unitsize", 8)
    probes = {f"{int(key[5:]) - 1}": name for key, name in about.items() if re.fullmatch(r"probe[0-9]{1,3}", key)}
    wanted = {int(bit): name for bit, name in _named(probes.items()).items()}
    if any(not 0 <= bit < 8 * unit for bit in wanted):
        raise RigLogError(
            f"expected probes 1 to {8 * unit} in samples of {unit} bytes, but a line is named beyond that"
        )
    toggles, sample, step_us = _Toggles(wanted.values()), 0, 1e6 / rate_hz
    for piece in _pieces(archive, about.get("capturefile", "logic-1"), unit):
        rows = np.frombuffer(piece, dtype=np.uint8).reshape(-1, unit)
        for bit, name in wanted.items():
            level = (rows[:, bit // 8] >> (bit % 8) & 1).astype(bool)
            toggled = np.flatnonzero(level[1:] != level[:-1]) + 1
            toggles.see(name, round(sample * step_us), bool(level[0]))
            toggles.toggles[name] += [np.array(toggles.single[name], dtype=np.int64)] if toggles.single[name] else []
            toggles.single[name].clear()
            toggles.toggles[name].append(np.rint((sample + toggled) * step_us).astype(np.int64))
            toggles.add(len(toggled))
            toggles.now[name] = bool(level[-1])
        sample += len(rows)
        _within(round(sample * step_us))
    return toggles.log(round(sample * step_us))


def _metadata(archive: zipfile.ZipFile) -> dict[str, str]:
    if "metadata" not in archive.namelist():
        raise RigLogError("expected a sigrok session, but there is no file `metadata` in this ZIP file")
    with archive.open("metadata") as entry:
        data = entry.read(MOST_METADATA + 1)
    if len(data) > MOST_METADATA:
        raise RigLogError(f"expected at most {MOST_METADATA:,} bytes of metadata, but there are more; is it a session?")
    parser = configparser.RawConfigParser(strict=False, comment_prefixes=("#",), delimiters=("=",))
    try:
        parser.read_string(data.decode("utf-8", errors="replace"))
    except configparser.Error as error:
        raise RigLogError(f"expected metadata as an INI text, but it is not ({str(error).splitlines()[0]})") from None
    devices = [section for section in parser.sections() if "capturefile" in parser[section]]
    if not devices:
        raise RigLogError("expected a session with logic samples, but its metadata names no capturefile")
    return dict(parser[devices[0]])


def _rate_hz(text: str) -> float:
    found = re.fullmatch(r"([0-9]{1,12}(?:\.[0-9]{1,9})?)\s*([kKmMgG]?)(?:Hz)?", text.strip())
    rate_hz = float(found[1]) * _RATES_HZ[found[2].lower()] if found else 0.0
    if not 100 <= rate_hz <= 1e10:
        raise RigLogError(f"expected a samplerate such as 1 MHz, but it is {text[:40]!r}")
    return rate_hz


def _whole(text: str, what: str, most: int) -> int:
    if not re.fullmatch(r"[0-9]{1,3}", text.strip()) or not 1 <= int(text) <= most:
        raise RigLogError(f"expected {what} from 1 to {most}, but it is {text[:40]!r}")
    return int(text)


def _pieces(archive: zipfile.ZipFile, capture: str, unit: int) -> Iterator[bytes]:
    """The samples, some at a time, each piece whole samples; what the ZIP file says of its sizes is not believed."""
    numbered = re.compile(re.escape(capture) + r"-([0-9]{1,9})")
    chunks = [(int(found[1]), name) for name in archive.namelist() if (found := numbered.fullmatch(name))]
    if any(info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) for info in archive.infolist()):
        raise RigLogError("expected a ZIP file as sigrok writes it, deflated, but this one is packed otherwise")
    names = [name for _, name in sorted(chunks)] or [name for name in archive.namelist() if name == capture]
    if not names:
        raise RigLogError(
            f"expected the samples in `{capture}` or `{capture}-1`, but there is no such file in the session"
        )
    total, rest = 0, b""
    for name in names:
        with archive.open(name) as entry:
            while data := entry.read(PIECE):
                total += len(data)
                if total > MOST_SAMPLE_BYTES:
                    raise RigLogError(
                        f"expected at most {MOST_SAMPLE_BYTES >> 30} GiB of samples, but there are more; log at 1 MHz, "
                        "or a shorter time"
                    )
                data = rest + data
                whole = len(data) - len(data) % unit
                rest = data[whole:]
                if whole:
                    yield data[:whole]
