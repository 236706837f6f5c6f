"""Logs as they come: one rig in three formats is one log, and whatever is wrong with a file is one sentence."""

from __future__ import annotations

import contextlib
import io
import zipfile

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.workbench import rig_log
from fingerlead.workbench.rig import measure
from fingerlead.workbench.rig_log import RigLogError, line_name, read_log
from tests.workbench.rig_logs import EVERY_US, Planted, as_csv, as_session, as_vcd, levels_of, turns_of

FEW = Planted(moves=24)
END_US = EVERY_US * (FEW.moves + 1)
LINES = levels_of(FEW)


def logged(data: bytes):
    return read_log(io.BytesIO(data))


def same(one, other, within_us=0):
    assert one.lines.keys() == other.lines.keys()
    for name, line in one.lines.items():
        assert line.high == other.lines[name].high
        assert np.abs(line.toggles_us - other.lines[name].toggles_us).max() <= within_us


def test_one_rig_is_one_log_in_every_format():
    usual = logged(as_csv(LINES))
    assert len(usual.lines["contact"].toggles_us) == 3 * FEW.moves
    same(logged(as_vcd(LINES)), usual)
    same(logged(as_session(LINES, END_US)), usual, within_us=10)
    same(logged(as_session(LINES, END_US, unit=2, chunks=5, first_bit=7)), usual, within_us=10)
    assert measure([usual]).rows == measure([logged(as_vcd(LINES))]).rows


def test_a_session_of_one_piece_has_no_number():
    data = as_session(LINES, END_US, chunks=1)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as before, zipfile.ZipFile(out, "w") as after:
        for name in before.namelist():
            after.writestr(name.replace("logic-1-1", "logic-1"), before.read(name))
    same(logged(out.getvalue()), logged(data))


@pytest.mark.parametrize(
    ("header", "scale"), [("time_us", 1), ("Time [ms]", 1_000), ("time (s)", 1_000_000), ("Time(µs)", 1)]
)
def test_the_unit_of_a_csv_is_in_its_header(header, scale):
    rows = [f"{header},Contact,TOP,Hole 3,other"]
    rows += [",".join(map(repr, [5 + t_us / scale, *now.values(), 7])) for t_us, now in turns_of(LINES)]
    same(logged(b"; made by hand\n" + "\r\n".join(rows).encode()), logged(as_csv(LINES)), within_us=1)


@pytest.mark.parametrize("text", ["Hole 3", "hole_3", "HOLE-3", " hole3 "])
def test_a_name_may_be_spelled_as_people_do(text):
    assert line_name(text) == "hole3"


def test_a_line_may_be_upside_down():
    toggled = {f"!{name}" if name == "contact" else name: toggles for name, toggles in LINES.items()}
    toggled["!contact"] = [(t_us, 1 - level) for t_us, level in toggled["!contact"]]
    same(logged(as_csv(toggled)), logged(as_csv(LINES)))
    same(logged(as_vcd(toggled)), logged(as_csv(LINES)))


def session(metadata: str, **files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("metadata", metadata)
        for name, data in files.items():
            archive.writestr(name.replace("_", "-"), data)
    return out.getvalue()


ABOUT = "[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nunitsize=1\nprobe1=contact\nprobe2=hole0\n"
VCD = "$timescale 1 us $end $var wire 1 ! contact $end $var wire 1 % hole0 $end $enddefinitions $end\n"
BAD = {
    "nothing": (b"", "a column is called time_us"),
    "noise": (bytes(range(1, 255)) * 40, "a column is called time_us"),
    "zeros": (bytes(10_000), "a byte 0"),
    "one endless line": (b"time_us,contact,hole0\n" + b"1" * 200_000, "has no end"),
    "an open quote": (b'time_us,contact,hole0\n"' + b"1\n" * 200_000, "cannot be read"),
    # One analyser writes microseconds under this name, another seconds.
    "a time without a unit": (b"Time,contact,hole0\n0,1,1\n", "the time's unit"),
    "no time": (b"contact,hole0\n0,1\n", "a column is called time_us"),
    "no truth": (b"time_us,hole0\n0,1\n", "a line `contact`"),
    "no hole": (b"time_us,contact\n0,1\n", "at least one hole"),
    "two of one name": (b"time_us,contact,hole0,HOLE 0\n0,1,1,1\n", "two are called `hole0`"),
    "one and its opposite": (b"time_us,contact,!contact,hole0\n0,1,1,1\n", "two are called `!contact`"),
    "a level of 2": (b"time_us,contact,hole0\n0,1,1\n5,2,1\n", "row 3"),
    "a short row": (b"time_us,contact,hole0\n0,1,1\n5,1\n", "row 3"),
    "no number": (b"time_us,contact,hole0\nnan,1,1\n", "row 2"),
    "endless time": (b"time_us,contact,hole0\n0,1,1\n1e400,1,1\n", "row 3"),
    "time that goes back": (b"time_us,contact,hole0\n9,1,1\n5,0,1\n", "goes back"),
    "a thousand years": (b"time_s,contact,hole0\n0,1,1\n3e10,1,1\n", "eleven days"),
    "vcd that goes back": ((VCD + "#9 1! #5 0!").encode(), "goes back"),
    "vcd without an end of names": (b"$timescale 1 us $end $var wire 1 ! contact $end", "$enddefinitions"),
    "vcd of an odd scale": (b"$timescale 3 days $end $enddefinitions $end", "a timescale such as"),
    "vcd with half a variable": (b"$timescale 1 us $end $var wire $end", "a variable's kind"),
    "vcd with no time": ((VCD + "#x 1!").encode(), "a time after #"),
    "vcd of a long time": ((VCD + f"#0 1! #{'9' * 4000}").encode(), "a time after #"),
    "half a ZIP file": (as_session(LINES, END_US)[:400], "a whole ZIP file"),
    "a ZIP file of something else": (session("")[:0] + session(ABOUT).replace(b"metadata", b"metadat0"), "`metadata`"),
    "no samples": (session(ABOUT), "no such file"),
    "no capture": (session("[device 1]\nsamplerate=1 MHz\n"), "names no capturefile"),
    "metadata that is no INI": (session("samplerate"), "an INI text"),
    "metadata without end": (session("#" * 100_000), "bytes of metadata"),
    "no rate": (session(ABOUT.replace("1 MHz", "quick"), logic_1=b"\0"), "a samplerate such as"),
    "no unit": (session(ABOUT.replace("unitsize=1", "unitsize=0"), logic_1=b"\0"), "unitsize from 1 to 8"),
    "ten thousand million probes": (session(ABOUT + "probe900=hole1\n", logic_1=b"\0"), "probes 1 to 8"),
    "samples without truth": (session(ABOUT.replace("contact", "D0"), logic_1=b"\0\1"), "a line `contact`"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_whatever_is_wrong_with_a_log_is_one_sentence(name):
    data, words = BAD[name]
    with pytest.raises(RigLogError) as caught:
        logged(data)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


def test_a_zip_file_of_nothing_but_room_is_read_no_further_than_the_limit(monkeypatch):
    monkeypatch.setattr(rig_log, "MOST_SAMPLE_BYTES", 1 << 24)
    bomb = session(ABOUT, logic_1=bytes(1 << 26))
    assert len(bomb) < 100_000
    with pytest.raises(RigLogError, match="GiB of samples"):
        logged(bomb)


def test_what_a_zip_file_says_of_its_sizes_is_not_believed():
    """A session that claims ten thousand million samples, and has three."""
    data = bytearray(session(ABOUT + "total samples=10000000000\n", logic_1=b"\0\1\2"))
    assert len(logged(bytes(data)).lines["contact"].toggles_us) == 2


def test_a_line_that_hums_is_refused(monkeypatch):
    monkeypatch.setattr(rig_log, "MOST_TOGGLES", 1_000)
    rows = "\n".join(f"{at},{at % 2},0" for at in range(2_000))
    with pytest.raises(RigLogError, match="hums"):
        logged(f"time_us,contact,hole0\n{rows}\n".encode())
    with pytest.raises(RigLogError, match="hums"):
        logged(session(ABOUT, logic_1=bytes((0, 1)) * 2_000))


@given(st.binary(max_size=400), st.sampled_from([as_csv(LINES), as_vcd(LINES), session(ABOUT, logic_1=bytes(99))]))
def test_damaged_logs_are_read_or_refused(noise, log):
    at = len(noise) * 7 % len(log)
    # Whatever else is raised fails the test.
    with contextlib.suppress(RigLogError):
        measure([logged(log[:at] + noise + log[at + len(noise) :])])
