"""A page's messages: each known kind read, everything else one sentence or nothing, whatever comes."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.faces.pages.kit.requests import MOST_BYTES, RequestError, read_message
from fingerlead.faces.pages.practice.requests import Cover, read_request
from fingerlead.practice import inbox

KINDS = {
    "holes": {"covered_mask": 127},
    "listen": {"to": "sim"},
    "rung": {"key": "low-g-b"},
    "tonight": {},
    "restart": {},
    "hand": {"on_top": "right"},
    "sound": {"where": "page", "level_db": -30, "voice": "pipe", "low_a_hz": 470, "drones": True, "delay_ms": 150},
    "metronome": {"on": True, "bpm": 60, "beats": 4, "subdivision": 2},
    "tap": {},
    "click": {"in_us": 7},
    "next": {"key": "low-g"},
    "go_on": {"key": "low-g"},
    "play_on": {},
    "keyboard": {"holds": 6},
    "finish": {},
}
REQUESTS = {
    "holes": Cover(127),
    "listen": inbox.Choose("sim"),
    "rung": inbox.ChooseRung("low-g-b"),
    "tonight": inbox.BeginTonight(),
    "restart": inbox.BeginAgain(),
    "hand": inbox.HandOnTop("right"),
    "sound": inbox.SetSound("page", None, -30.0, "pipe", 470.0, None, True, None, 150.0),
    "metronome": inbox.SetMetronome(True, 60.0, 4, 2),
    "tap": inbox.Tap(9),
    "click": inbox.PageBeat(16),
    "next": inbox.GoNext("low-g"),
    "go_on": inbox.GoOn("low-g"),
    "play_on": inbox.PlayOn(),
    "keyboard": inbox.KeyboardHolds(6),
    "finish": inbox.Finish(),
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_read(kind):
    assert read(json.dumps({"kind": kind, **KINDS[kind]}), 9) == REQUESTS[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_bytes_are_read_like_text_and_what_is_not_known_is_passed_over(kind):
    text = json.dumps({"kind": kind, **KINDS[kind], "newer": [1, 2]})
    assert read(text.encode(), 9) == REQUESTS[kind]


def read(data: str | bytes, host_us: int = 0) -> inbox.Request | Cover | None:
    return read_request(read_message(data), host_us)


def asked_or_refusal(data: str | bytes) -> inbox.Request | Cover | str | None:
    try:
        return read(data)
    except RequestError as error:
        return str(error)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
names = sorted({name for fields in KINDS.values() for name in fields} | {"scale", "device", "false_cents"})


@given(st.fixed_dictionaries({"kind": st.sampled_from(sorted(KINDS))}, optional=dict.fromkeys(names, json_values)))
def test_wrong_values_are_one_sentence_and_never_a_request(message):
    asked = asked_or_refusal(json.dumps(message))
    if isinstance(asked, str):
        assert asked.startswith("expected ")
        assert "\n" not in asked
        assert len(asked) < 200
    elif isinstance(asked, Cover):
        assert type(asked.covered_mask) is int
        assert 0 <= asked.covered_mask <= 255
    elif isinstance(asked, inbox.SetSound):
        assert asked.level_db is None or -60 <= asked.level_db <= 0
        assert asked.drones in (None, True, False)
    elif isinstance(asked, inbox.Choose):
        assert isinstance(asked.to, str)


@given(st.binary(max_size=200) | st.text(max_size=200))
def test_whatever_comes_is_read_passed_over_or_refused_in_a_sentence(data):
    asked = asked_or_refusal(data)
    assert not isinstance(asked, str) or asked.startswith("expected ")


@given(st.text(min_size=1, max_size=30).filter(lambda kind: kind not in KINDS))
def test_an_unknown_kind_is_passed_over(kind):
    assert read(json.dumps({"kind": kind})) is None


@pytest.mark.parametrize(
    "text",
    [
        "[" * MOST_BYTES,
        "[" * (MOST_BYTES + 1),
        '{"kind": "holes", "covered_mask": ' + "9" * 1_900 + "}",
        '{"kind": "sound", "level_db": NaN}',
        '{"kind": "sound", "level_db": -1e999}',
        '{"kind": "holes", "covered_mask": true}',
        '{"kind": "holes", "covered_mask": 127.0}',
        '{"kind": "rung", "key": "\\u0000"}',
        '{"kind": "listen"}',
        '{"kind": ["holes"]}',
        '"holes"',
        "",
        b"\xff\xfe\x00",
    ],
)
def test_hostile_messages_are_refused(text):
    with pytest.raises(RequestError):
        read(text)
