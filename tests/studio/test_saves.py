"""Saves that are older than what is stored: a field is whose side changed it, and where both did it is asked."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.studio import pupils
from fingerlead.studio.pupils import StudioError
from fingerlead.studio.saves import EDITABLE, StaleError, fields_of, merge, read_fields, write_fields
from fingerlead.studio.studio import Studio

FIELDS = st.fixed_dictionaries({field: st.sampled_from("abc") for field in EDITABLE})


@pytest.fixture
def studio(tmp_path):
    with Studio(tmp_path / "studio") as studio:
        yield studio


@given(FIELDS, FIELDS, FIELDS)
def test_a_field_is_the_sides_that_changed_it_and_a_clash_where_both_did(was, yours, stored):
    merged = merge(was, yours, stored)
    for field in EDITABLE:
        sides = {yours[field], stored[field]} - {was[field]}
        assert (field in merged.clashes) == (len(sides) == 2)
        assert merged.fields[field] == (was[field] if not sides else yours[field] if len(sides) == 2 else sides.pop())


@given(FIELDS, FIELDS)
def test_what_was_chosen_from_a_clash_is_saved_as_it_is(yours, stored):
    merged = merge(stored, yours, stored)
    assert merged.clashes == ()
    assert merged.fields == yours


def test_white_space_and_the_ends_of_lines_are_no_change():
    was = {"note": "one\ntwo"}
    assert merge(was, {"note": " one\r\ntwo "}, {"note": "three"}).fields["note"] == "three"


@given(st.text(max_size=60) | FIELDS.map(write_fields))
def test_any_text_of_a_form_is_read_as_fields(text):
    assert read_fields(text).keys() <= EDITABLE.keys()


def test_two_desks_on_one_folder_write_nothing_over_each_other(studio):
    pupil = studio.add("Ailsa")
    was = fields_of(pupil)
    with Studio(studio.folder) as other:
        other.change(pupil.key, was, **{**was, "note": "the other desk's"})
        studio.change(pupil.key, was, **{**was, "chanter": "blue"})
        with pytest.raises(StaleError) as stale:
            studio.change(pupil.key, was, **{**was, "note": "this desk's"})
        merged = stale.value.merged
        assert merged.clashes == ("note",)
        assert (merged.fields["note"], merged.stored["note"]) == ("this desk's", "the other desk's")
        assert other.pupil(pupil.key).note == "the other desk's"
        assert studio.pupil(pupil.key).chanter == "blue"
        studio.change(pupil.key, merged.stored, **{**merged.fields, "note": "both"})
        assert other.pupil(pupil.key).note == "both"


def test_what_is_too_long_is_refused_and_never_cut(studio):
    key = studio.add("Ailsa").key
    for field, letters in (("note", pupils.LONGEST_NOTE), ("chanter", pupils.LONGEST_NAME)):
        studio.change(key, **{field: "x" * letters})
        with pytest.raises(StudioError, match=f"at most {letters} letters; this one has {letters + 1}. Shorten it"):
            studio.change(key, **{field: "x" * (letters + 1)})
        assert getattr(studio.pupil(key), field) == "x" * letters


def test_a_longer_note_from_elsewhere_is_shown_whole(studio):
    key = studio.add("Ailsa").key
    path = studio.of(key) / "pupil.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "note": "y" * 9_000}))
    assert studio.pupil(key).note == "y" * 9_000
    studio.change(key, note="short")
    assert studio.pupil(key).note == "short"


def test_what_cannot_be_read_is_kept_beside_when_a_name_is_written_anew(studio):
    key = studio.add("Ailsa").key
    path = studio.of(key) / "pupil.json"
    path.write_bytes(b'{"schema": "fingerlead-pupil-1", "note": "cut o')
    assert "damaged" in studio.pupil(key).problem
    studio.change(key, {"name": "Old"}, name="Ailsa")
    assert studio.pupil(key) == pupils.Pupil(key, "Ailsa")
    assert [file.read_bytes()[-5:] for file in path.parent.glob("pupil-damaged-*")] == [b"cut o"]
