from __future__ import annotations

import contextlib
import os
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.store import chanters as files
from fingerlead.store import skews as skew_file
from fingerlead.store.chanters import Calibration, CalibrationError
from fingerlead.store.skews import SealHeights, Skew
from fingerlead.timing.results import KnownSeal

DEVICE = "0123456789abcdef"
OTHER = "ffffffffffffffff"
PRINTABLE = st.characters(codec="utf-8").filter(str.isprintable)
TEXT = st.text(PRINTABLE, min_size=1, max_size=80).filter(str.strip)
LEVEL = st.integers(1, 65_535).flatmap(lambda cover_at: st.tuples(st.just(cover_at), st.integers(0, cover_at - 1)))
LEVELS = st.lists(LEVEL, min_size=8, max_size=8)


def a_calibration(pupil="anyone", device=DEVICE, shift=0):
    levels = tuple((500 + shift + hole, 400 + shift) for hole in range(8))
    return Calibration(device, pupil, "2026-01-01T10:00:00", levels, (100.0,) * 8, (900.0,) * 8)


@given(TEXT, LEVELS)
def test_what_is_written_is_read_again(pupil, levels):
    made = Calibration(DEVICE, pupil, "2026-01-01", tuple(levels), (1.5,) * 8, (900.2,) * 8)
    assert files.from_toml(files.to_toml(made).encode(), "x") == made


@given(st.binary(max_size=300))
def test_garbage_is_one_sentence(data):
    with pytest.raises(CalibrationError, match="expected"):
        files.from_toml(data, "file.toml")


@given(st.data())
def test_a_damaged_file_is_refused_or_read_never_a_traceback(data):
    text = files.to_toml(a_calibration())
    at = data.draw(st.integers(0, len(text)))
    cut = data.draw(st.integers(0, 40))
    damaged = text[:at] + data.draw(st.text(max_size=5)) + text[at + cut :]
    with contextlib.suppress(CalibrationError):
        files.from_toml(damaged.encode("utf-8", "replace"), "file.toml")


@pytest.mark.parametrize("value", ["9" * 5_000, "[" * 30_000, "0x" + "f" * 9_000, "1e999", "nan"])
def test_a_number_beyond_all_measure_is_one_sentence(value):
    text = files.to_toml(a_calibration()).replace("cover_at = 500", f"cover_at = {value}", 1)
    with pytest.raises(CalibrationError, match=r"file\.toml(, line \d+)?: .*expected"):
        files.from_toml(text.encode(), "file.toml")


def test_levels_that_cross_over_name_their_hole():
    text = files.to_toml(a_calibration()).replace("uncover_at = 400", "uncover_at = 900", 1)
    with pytest.raises(CalibrationError, match="thumb: expected cover_at above uncover_at"):
        files.from_toml(text.encode(), "file.toml")


def test_keep_find_undo(tmp_path):
    first, second = a_calibration(), a_calibration(shift=50)
    files.keep_earlier(tmp_path, first)
    path = files.keep_calibration(tmp_path, second)
    assert files.find_calibration(tmp_path, DEVICE, "anyone") == second
    assert files.load_earlier(tmp_path, DEVICE, "anyone") == first
    assert "anyone" not in path.name
    assert files.find_calibration(tmp_path, DEVICE, "another") is None
    with pytest.raises(CalibrationError, match="none is kept"):
        files.load_earlier(tmp_path, DEVICE, "another")


@given(TEXT)
def test_no_name_leaves_the_folder(name):
    from pathlib import Path

    path = files.calibration_path(Path("/calibrations"), DEVICE, name)
    assert path.parent == Path("/calibrations") / DEVICE
    assert re.fullmatch(r"pupil-[0-9a-f]{12}\.toml", path.name)


def test_another_chanters_calibration_is_refused_unless_told():
    with pytest.raises(CalibrationError, match="was made with chanter"):
        files.fit_for(a_calibration(), OTHER)
    assert files.fit_for(a_calibration(), OTHER, anyway=True).device == OTHER


def test_a_file_of_another_chanter_in_its_place_is_not_used(tmp_path):
    path = files.calibration_path(tmp_path, DEVICE, "anyone")
    path.parent.mkdir()
    path.write_text(files.to_toml(a_calibration(device=OTHER)), encoding="utf-8")
    with pytest.raises(CalibrationError, match="this is another's; calibrate again"):
        files.find_calibration(tmp_path, DEVICE, "anyone")
    assert files.calibration_of(bytes.fromhex(DEVICE), "anyone", tmp_path) is None


def test_drift_is_proposed_where_it_is_and_never_more():
    kept = a_calibration()
    assert files.drift_words(kept, (100.0,) * 8) is None
    assert files.drift_words(kept, (100.0 + 800 * 0.1,) * 8) is None
    words = files.drift_words(kept, (*(100.0,) * 7, 300.0))
    assert words is not None
    assert "bottom little" in words
    assert "calibrate again" in words


def test_skew_is_kept_and_enters_the_timing(tmp_path):
    skew = Skew((-1000.0, 0, 500, 0, 0, 200, 300), (0.0,) * 7, 100.0, 40, 40)
    assert skew_file.measured_skew_us(bytes.fromhex(DEVICE), tmp_path) is None
    skew_file.keep_skew(tmp_path, DEVICE, "2026-01-01", skew)
    assert skew_file.load_skew(tmp_path, DEVICE) == skew
    assert skew_file.measured_skew_us(bytes.fromhex(DEVICE), tmp_path) == skew.apart_us == 1_600
    assert skew_file.measured_skew_us(bytes.fromhex(OTHER), tmp_path) is None


def test_levels_about_the_middle_do_not_count_as_levels_near_the_seal(tmp_path):
    device = bytes.fromhex(DEVICE)
    assert skew_file.seal_of(device, tmp_path) is None
    near = replace(a_calibration("Ann"), levels=((740, 700),) * 8)
    files.keep_calibration(tmp_path, near)
    # Samples of 100 to 900: the seal is at 740, a rolling pad is seen 8 higher, and 0.05 mm of water 30.
    assert skew_file.seal_of(device, tmp_path) == KnownSeal((78,) * 8, (-8,) * 8, near.made)
    assert skew_file.seal_of(bytes.fromhex(OTHER), tmp_path) is None
    files.keep_calibration(tmp_path, replace(near, pupil="Cat", made="2026-02-01T10:00:00", levels=((760, 730),) * 8))
    assert skew_file.seal_of(device, tmp_path) == KnownSeal((48,) * 8, (12,) * 8, "2026-02-01T10:00:00")
    # Of two pupils, one has levels from long ago.
    path = files.keep_calibration(tmp_path, a_calibration("Bob"))
    assert skew_file.seal_of(device, tmp_path) is None
    path.write_bytes(b"garbage")
    assert skew_file.seal_of(device, tmp_path) is None


@pytest.mark.parametrize("holes", [7, 8])
def test_heights_are_kept_and_move_the_seal_of_their_holes(tmp_path, holes):
    device, lift, cover = bytes.fromhex(DEVICE), (0.05, *(0.0,) * (holes - 2), -0.02), (*(0.0,) * (holes - 1), 0.1)
    near = replace(a_calibration("Ann"), levels=((740, 700),) * 8)
    files.keep_calibration(tmp_path, near)
    skew = Skew((0.0,) * holes, (0.0,) * holes, 100.0, 40, 40, SealHeights(lift, cover, 0.016))
    skew_file.keep_skew(tmp_path, DEVICE, "2026-01-01", skew)
    assert skew_file.load_skew(tmp_path, DEVICE) == skew
    seal = skew_file.seal_of(device, tmp_path)
    # Of a swing of 800: a finger is seen sooner or later by so many samples.
    assert seal.lift_raw == (*(78,) * (8 - holes), 118, *(78,) * (holes - 2), 62)
    assert seal.cover_raw == (*(-8,) * 7, -88)
    assert (seal.made, seal.heights) == (near.made, "all holes" if holes == 8 else "front holes")
    # A skew without heights, as an earlier test kept it, moves nothing.
    skew_file.keep_skew(tmp_path, DEVICE, "2026-01-01", replace(skew, heights=None))
    assert skew_file.seal_of(device, tmp_path) == KnownSeal((78,) * 8, (-8,) * 8, near.made)


@pytest.mark.parametrize("heights", [None, SealHeights((0.0,) * 7, (0.0,) * 7, 0.016)])
def test_a_skew_that_cannot_be_read_is_not_used(tmp_path, heights):
    skew = Skew((0.0,) * 7, (0.0,) * 7, 100.0, 40, 40, heights)
    path = skew_file.keep_skew(tmp_path, DEVICE, "2026-01-01", skew)
    sound = path.read_text(encoding="utf-8")
    wrong = [sound.replace("skew_us = 0.0", "skew_us = nan"), sound.replace("[[hole]]", "[[whole]]", 1)]
    if heights is not None:
        wrong += [
            sound.replace("lift_share = 0.0", f"lift_share = {bad}", 1) for bad in ("9.0", "nan", "true", '"high"')
        ]
        wrong += [sound.replace("cover_share = 0.0\n", "", 1), sound.replace("apart_mm = 0.016", "apart_mm = -1")]
    for text in ("", "schema = 5", "garbage \0", *wrong):
        assert text != sound
        path.write_text(text, encoding="utf-8")
        assert skew_file.measured_skew_us(bytes.fromhex(DEVICE), tmp_path) is None
    path.write_text(files_skew_of_another(tmp_path, skew), encoding="utf-8")
    assert skew_file.measured_skew_us(bytes.fromhex(DEVICE), tmp_path) is None


def test_holes_out_of_order_are_refused_with_their_line(tmp_path):
    ann, skew = a_calibration("Ann"), Skew((0.0,) * 7, (0.0,) * 7, 100.0, 40, 40)
    for path, read in (
        (files.keep_calibration(tmp_path, ann), files.load_calibration),
        (skew_file.keep_skew(tmp_path, DEVICE, "2026-01-01", skew), lambda path: skew_file.load_skew(tmp_path, DEVICE)),
    ):
        sound = path.read_text(encoding="utf-8")
        swapped = (
            sound.replace("bottom ring", "x").replace("bottom little", "bottom ring").replace('"x"', '"bottom little"')
        )
        line = swapped[: swapped.index("bottom little")].count("\n") + 1
        path.write_text(swapped, encoding="utf-8")
        with pytest.raises(files.CalibrationError, match=f"line {line}: .*name = 'bottom ring'; got 'bottom little'"):
            read(path)
        path.write_text(sound.replace('name = "bottom ring"\n', ""), encoding="utf-8")
        with pytest.raises(files.CalibrationError, match="got None"):
            read(path)


def files_skew_of_another(folder, skew):
    return skew_file.keep_skew(folder, OTHER, "2026-01-01", skew).read_text(encoding="utf-8")


def test_what_cannot_be_written_is_one_sentence(tmp_path):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    with pytest.raises(CalibrationError, match="cannot be written"):
        files.keep_calibration(in_the_way, a_calibration())
    big = tmp_path / "big.toml"
    big.write_text("#" * 200_001)
    with pytest.raises(CalibrationError, match="at most"):
        files.load_calibration(big)
    with pytest.raises(CalibrationError, match="cannot be read"):
        files.load_calibration(tmp_path / "nothing.toml")


def test_a_folder_that_may_not_be_looked_into_is_one_sentence(tmp_path, monkeypatch):
    def forbidden(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.exists", forbidden)
    with pytest.raises(CalibrationError, match="cannot be read: Permission denied; name another folder"):
        files.find_calibration(tmp_path, DEVICE, "anyone")
    with pytest.raises(CalibrationError, match="cannot be read: Permission denied; name another folder"):
        files.load_earlier(tmp_path, DEVICE, "anyone")
    # Recording alone is not held up by it.
    assert skew_file.measured_skew_us(bytes.fromhex(DEVICE), tmp_path) is None
    assert files.calibration_of(bytes.fromhex(DEVICE), "anyone", tmp_path) is None


def test_a_name_longer_than_a_disk_takes_is_one_sentence(tmp_path):
    with pytest.raises(CalibrationError, match="cannot be read"):
        files.find_calibration(tmp_path / ("x" * 300), DEVICE, "anyone")


def test_what_is_no_file_is_not_waited_for(tmp_path):
    pipe = tmp_path / "pipe.toml"
    if hasattr(os, "mkfifo"):
        os.mkfifo(pipe)
    else:
        pipe.mkdir()
    with pytest.raises(CalibrationError, match="expected a TOML file"):
        files.load_calibration(pipe)


def test_a_link_in_the_way_leads_into_no_other_file(tmp_path):
    precious = tmp_path / "precious"
    precious.write_text("mine")
    path = files.calibration_path(tmp_path, DEVICE, "anyone")
    path.parent.mkdir()
    path.symlink_to(precious)
    assert files.keep_calibration(tmp_path, a_calibration()) == path
    assert precious.read_text() == "mine"
    assert not path.is_symlink()
    assert files.find_calibration(tmp_path, DEVICE, "anyone") == a_calibration()
