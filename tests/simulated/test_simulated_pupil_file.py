from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.notes import LOW_G, B, C
from fingerlead.simulated.pupil import HUMAN_SCATTER_US, Habit, SimulatedPupil, WrongFinger
from fingerlead.simulated.scenario import BUILT_IN, PupilError, Scenario, load_scenario, read_scenario

DEMO = Path(__file__).parents[2] / "demo" / "evening.toml"


@pytest.mark.parametrize("name", BUILT_IN)
def test_built_in_pupils_carry_their_names(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.pupil.name == name
    assert scenario.about


def test_the_demo_is_there_and_has_one_main_fault_and_two_lesser_ones() -> None:
    scenario = load_scenario(str(DEMO))
    assert scenario.about
    assert scenario.changes == 90
    main, lesser = scenario.pupil.habits
    assert abs(main.by_us) > abs(lesser.by_us)
    assert len(scenario.pupil.wrong_fingers) == 1


def test_an_empty_file_is_the_usual_pupil() -> None:
    assert read_scenario("", "ailsa.toml") == Scenario(SimulatedPupil(name="ailsa"))


def test_every_key_is_read() -> None:
    text = """
        name = "Una Fairlie"
        about = "two lines\\nof it"
        seed = 4
        changes = 30
        care_ms = 1.5
        hold_ms = [200, 300]
        graces = 0.1
        slips = 0.2
        trembles = 0.3
        slow = 0.4
        slow_ms = [70, 80]
        tune = "G B c"
        [scatter_ms]
        thumb = 1
        others = 2
        [weights]
        "low G" = 3
        [[habit]]
        finger = "bottom little"
        from = "low G"
        to = "B"
        motion = "lift"
        early_ms = 18
        chance = 0.5
        favour = 2
        [[wrong_finger]]
        note = "C"
        finger = "bottom little"
    """
    assert read_scenario(text, "una.toml") == Scenario(
        SimulatedPupil(
            name="Una Fairlie",
            scatter_us=(1_000, *(2_000,) * 7),
            care_us=1_500,
            hold_us=(200_000, 300_000),
            weights=(3.0, *(1.0,) * 8),
            tune=(LOW_G, B, C),
            habits=(Habit(7, -18_000, LOW_G, B, "lift", 0.5, 2.0),),
            wrong_fingers=(WrongFinger(C, 7, 1.0),),
            graces=0.1,
            slips=0.2,
            trembles=0.3,
            slow=0.4,
            slow_us=(70_000, 80_000),
        ),
        "two lines\nof it",
        4,
        30,
    )


def test_a_scatter_for_some_fingers_leaves_the_others_human() -> None:
    scatter_us = read_scenario("scatter_ms = {thumb = 1}", "x").pupil.scatter_us
    assert scatter_us == (1_000, *HUMAN_SCATTER_US[1:])


@pytest.mark.parametrize(
    ("text", "key", "expected"),
    [
        ("name = 3", "name", "printable text"),
        ('name = "\\u001b[31m"', "name", "printable text"),
        ("scatter_ms = -1", "scatter_ms", "0 to 100"),
        ("scatter_ms = nan", "scatter_ms", "0 to 100"),
        ("scatter_ms = true", "scatter_ms", "0 to 100"),
        ("scatter_ms = {pinkie = 3}", "scatter_ms: pinkie", "bottom little"),
        ("hold_ms = [900, 250]", "hold_ms", "shorter first"),
        ("hold_ms = [1, 2]", "hold_ms", "from 100"),
        ("hold_ms = [250]", "hold_ms", "two numbers"),
        ("graces = 2", "graces", "from 0 to 1"),
        ("seed = -1", "seed", "whole number"),
        ("changes = 0", "changes", "whole number"),
        ("changes = 1.5", "changes", "whole number"),
        ('tune = "G H"', "tune", "ABC letters"),
        ('tune = "G B B"', "tune", "twice in a row"),
        ('tune = "G B G"', "tune", "the last and the first"),
        ("[weights]\nZ = 1", "weights", "names of notes"),
        ('[weights]\nB = "x"', "weights: B", "a number"),
        ("weights = {G=0,A=0,B=0,c=0,d=0,e=0,f=0,g=0}", "weights", "at least two"),
        ("habit = 3", "habit", "[[habit]]"),
        ("[[habit]]\nearly_ms = 3", "habit 1: finger", "bottom little"),
        ('[[habit]]\nfinger = "nose"\nearly_ms = 3', "habit 1: finger", "bottom little"),
        ('[[habit]]\nfinger = "thumb"', "habit 1: early_ms, late_ms", "one of them"),
        ('[[habit]]\nfinger = "thumb"\nearly_ms = 1\nlate_ms = 1', "habit 1: early_ms, late_ms", "one of them"),
        ('[[habit]]\nfinger = "thumb"\nearly_ms = 3\nfrom = "Q"', "habit 1: from", "high A"),
        ('[[habit]]\nfinger = "thumb"\nearly_ms = 3\nmotion = "wave"', "habit 1: motion", "lift"),
        ('[[habit]]\nfinger = "thumb"\nearly_ms = 3\nhand = 1', "habit 1", "only the keys"),
        ('[[wrong_finger]]\nnote = "C"\nfinger = "thumb"', "wrong_finger 1: finger", "leaves C sounding"),
        ('[[wrong_finger]]\nfinger = "thumb"', "wrong_finger 1: note", "one of low G"),
        ("colour = 1", "", "only the keys"),
        ("= 3", "", "TOML"),
    ],
)
def test_a_bad_key_is_named_with_the_file_and_what_was_expected(text: str, key: str, expected: str) -> None:
    with pytest.raises(PupilError) as caught:
        read_scenario(text, "una.toml")
    assert caught.value.key == key
    assert expected in caught.value.expected
    assert str(caught.value).startswith("una.toml: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["no-such-pupil", ".", "a\0b"])
def test_a_file_that_is_not_there_is_refused_with_the_names_that_are(name: str) -> None:
    with pytest.raises(PupilError, match="early-little-finger"):
        load_scenario(name)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "binary.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PupilError, match="no text"):
        load_scenario(str(path))


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(PupilError):
        assert read_scenario(text, "x.toml").pupil.name
