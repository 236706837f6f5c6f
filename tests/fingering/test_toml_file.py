"""A stranger's TOML: what the parser gives for it, in time that grows with its length, or one sentence."""

from __future__ import annotations

import time
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingering.ladder import LadderError, read_ladder
from fingering.toml_file import KEY_LIMIT, SIZE_LIMIT, parse_toml
from fingerlead.simulated.scenario import PupilError, load_scenario
from fingerlead.store.chanters import CalibrationError, from_toml

DOTS = ".".join(["a"] * (KEY_LIMIT + 1))
LONG_KEYS = [
    f"{DOTS} = 1",
    f"[{DOTS}]",
    f"[[ {DOTS} ]]",
    f"b = {{ c = 2, {DOTS} = 1 }}",
    " . ".join(['"a.b"', "'c'"] * KEY_LIMIT) + " = 1",
    f'b = {{ c = """x"""", {DOTS} = 1 }}',
    f'b = {{ c = """\\"""x""""", {DOTS} = 1 }}',
    f"b = {{ c = '''x'''', {DOTS} = 1 }}",
    f"c = 'x\\' # '\n{DOTS} = 1",
    f'c = "\\"#" \n{DOTS} = 1',
    f"c = 1 # '\n{DOTS} = 1",
    ".".join(["é"] * 20) + " = 1",
]
SHORT_KEYS = [
    ".".join(["a"] * KEY_LIMIT) + " = 1",
    f'a = "{DOTS}"',
    f"a = '{DOTS}'",
    f'a = """\n{DOTS}\n"""',
    f"a = '''\n{DOTS} = 1\n'''",
    f"a = 1 # {DOTS}",
    "a = [" + "1.5, " * 50 + "]",
    'a = """' + ".A.B.c " * 50 + '"""',
    'a = "" # "\nb = "\\\\"',
]


@pytest.mark.parametrize("text", LONG_KEYS)
def test_a_key_of_many_parts_is_refused_with_its_line_before_it_is_parsed(text, monkeypatch):
    monkeypatch.setattr(tomllib, "loads", lambda text: pytest.fail("it was parsed"))
    line = 1 + text.count("\n")
    with pytest.raises(ValueError, match=rf"more than {KEY_LIMIT} parts \(at line {line}, column 1\)"):
        parse_toml(text)


@pytest.mark.parametrize("text", SHORT_KEYS)
def test_dots_in_texts_comments_and_numbers_are_no_parts(text):
    assert parse_toml(text) == tomllib.loads(text)


@given(st.text(st.sampled_from("ab.=\"'\\#\n[]{}, 1"), max_size=60))
def test_whatever_it_is_it_is_read_as_the_parser_reads_it(text):
    try:
        expected = tomllib.loads(text)
    except ValueError:
        with pytest.raises(ValueError, match=r"\S"):
            parse_toml(text)
    else:
        if text.count(".") < KEY_LIMIT:
            assert parse_toml(text) == expected


@given(st.lists(st.sampled_from(['"', '"""', "'", "'''", "\\", "#", "\n", "a.", " ", "{", "="]), max_size=40))
def test_no_key_of_many_parts_reaches_the_parser(pieces):
    """Behind any beginning: either the parser stops there already, or the key is found."""
    text = "".join(pieces) + f"\n{DOTS}=1"
    try:
        parse_toml(text)
    except ValueError:
        return
    assert depth(tomllib.loads(text)) <= KEY_LIMIT


def depth(value):
    return 1 + max(map(depth, value.values()), default=0) if isinstance(value, dict) else 0


GROWING = {
    "parts": lambda n: ".".join(["a"] * (n // 2)) + " = 1",
    "quoted parts": lambda n: ".".join(['"a"'] * (n // 4)) + " = 1",
    "a head of parts": lambda n: "[" + ".".join(["a"] * (n // 2)) + "]",
    "spaces": lambda n: " " * n + "\nother = 1",
    "brackets": lambda n: "[" * n,
    "texts without end": lambda n: '"""' + '\\"""' * (n // 4),
    "quotes": lambda n: "'" * n,
    "a word": lambda n: "a" * n,
    "words apart": lambda n: "a " * (n // 2),
    "words and dots": lambda n: ("a." * 15 + " b ") * (n // 33),
    "a great number": lambda n: "[[rung]]\nnotes = 0x" + "f" * n,
    "many keys": lambda n: "".join(f"a.b{number} = 1\n" for number in range(n // 12)),
}


@pytest.mark.parametrize("made", GROWING.values(), ids=GROWING)
def test_the_largest_file_is_refused_soon(made):
    """Ten times what it takes, and a tenth of what work that grows with the square takes."""
    began = time.process_time()
    with pytest.raises(LadderError) as refused:
        read_ladder(made(SIZE_LIMIT - 100).encode(), "own.toml")
    assert time.process_time() - began < 5
    assert len(str(refused.value)) < 250


def test_every_door_of_toml_has_the_same_limit(tmp_path):
    path = tmp_path / "long.toml"
    path.write_text(f"{DOTS} = 1")
    with pytest.raises(PupilError, match=f"more than {KEY_LIMIT} parts"):
        load_scenario(str(path))
    with pytest.raises(CalibrationError, match=f"more than {KEY_LIMIT} parts"):
        from_toml(path.read_bytes(), str(path))
    path.write_text("#" * (SIZE_LIMIT + 1))
    with pytest.raises(PupilError, match=f"at most {SIZE_LIMIT} bytes"):
        load_scenario(str(path))
    with pytest.raises(PupilError, match="a folder or a device"):
        load_scenario(str(tmp_path))
