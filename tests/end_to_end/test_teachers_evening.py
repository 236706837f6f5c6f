"""A teacher's evening and the week after, at the desk and the practice page as they are started."""

from __future__ import annotations

import shutil
import subprocess
from datetime import date, timedelta

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")

from fingerlead.studio.invented import invented
from tests.teachers_evening.evening import (
    BETTER,
    NOTE,
    PRACTISES,
    PUPILS,
    RESTS,
    WORSE,
    Evening,
    make_pupils,
    practise,
    prepare,
    print_for_a_parent,
    read_on,
)

WEEK = timedelta(days=7)
UNCHANGED = ("Tam", "Ishbel", "Jory")


def test_homework_comes_back_progress_is_told_and_a_parents_sheet_is_printed(browser, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext of the Debian package poppler-utils")
    today = date.today()
    make_pupils(tmp_path / "studio", tmp_path, today)
    evening = Evening(tmp_path / "studio", browser)
    assert prepare(evening, today)[0] == WORSE
    assert "Low G alone" in practise(evening, minutes=1.5, speed=5.0)
    told = read_on(evening, today + WEEK)
    assert set(told) == set(PUPILS)
    assert "has got better" in told[BETTER]
    assert "has got worse" in told[WORSE]
    assert "Homework untouched" in told[RESTS]
    assert [name for name in UNCHANGED if "has got" in told[name]] == []
    sheet = print_for_a_parent(evening, today + WEEK, BETTER, tmp_path)
    text = subprocess.run(["pdftotext", "-layout", sheet, "-"], capture_output=True, text=True, check=True).stdout
    assert text.count("\f") == 1
    assert BETTER in text
    private = [person.note for person in invented() if person.note] + [NOTE, *(set(PUPILS) - {BETTER, PRACTISES})]
    assert [word for word in private if word in " ".join(text.split())] == []
    assert evening.complaints == []
