"""The page's catalogue: every text that is asked for is there, none is left over, every name in braces is filled in."""

from __future__ import annotations

import re
from pathlib import Path

from fingerlead.faces.pages import kit, practice
from fingerlead.faces.pages.kit.templates import catalogue

KIT, PRACTICE = (Path(next(iter(room.__path__))) for room in (kit, practice))
TEXTS = catalogue(practice.__name__)
# Texts that are chosen by a value: a state, a voice, a hand, an order, a speed, a place, a way to play, how a
# note came.
CHOSEN = {
    "ladder": {"open", "unclean", "passed", "confirmed", "due"},
    "sound": {"host", "page", "nowhere", "practice", "pipe", "left", "right", "derived", "taught"},
    "change": {"quarter", "tenth", "twentieth"},
    "first": {"chanter", "keys", "touch"},
    "in_time": {"with_the_beat", "early", "late", "another", "missed"},
}


def flat(table, prefix=""):
    for key, value in table.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            yield from flat(value, f"{name}.")
        else:
            yield name, value


def scripts():
    return sorted([*(KIT / "static").glob("*.js"), *(PRACTICE / "static").glob("*.js")])


def asked_for():
    found = set()
    for script in scripts():
        text = script.read_text(encoding="utf-8")
        found |= set(re.findall(r'"([a-z_]+\.[a-z_0-9]+)"', text))
    for template in sorted([*(KIT / "templates").iterdir(), *(PRACTICE / "templates").iterdir()]):
        text = template.read_text(encoding="utf-8")
        found |= set(re.findall(r"\bt\.([a-z_]+(?:\.[a-z_0-9]+)?)", text))
        for part, lines in re.findall(r'part\("(\w+)", (\d+)\)', text):
            found |= {f"hold.{part}", *(f"hold.{part}_{line}" for line in range(1, int(lines) + 1))}
    return found | {f"{part}.{key}" for part, keys in CHOSEN.items() for key in keys}


def test_every_text_that_is_asked_for_is_there_and_none_is_left_over():
    # Sentences that Python asks for have their own tests.
    there = {name for name, _ in flat(TEXTS) if not name.startswith("host.")} - {"page.too_much"}
    files = {path.name for path in scripts()}
    asked = {name for name in asked_for() if name not in files and name.split(".")[0] in TEXTS}
    assert there - asked == set()
    assert asked - there - {"hold"} == set()


def test_names_in_braces_are_those_that_the_scripts_fill_in():
    text_of_scripts = "\n".join(script.read_text(encoding="utf-8") for script in scripts())
    for name, text in flat(TEXTS):
        if name.startswith("host.") or not isinstance(text, str):
            continue
        for brace in re.findall(r"\{(\w+)\}", text):
            # As a name of its own, a field of a message that is handed over whole, or one of a row.
            assert re.search(rf"\b{brace}\b|k\$\{{i\}}", text_of_scripts), f"{name}: {brace}"


def test_the_catalogue_has_no_praise_and_keeps_no_score():
    words = " ".join(text for _, text in flat(TEXTS) if isinstance(text, str)).lower()
    for word in ("well done", "great", "awesome", "perfect", "score", "streak", "points", "wrong!", "bad"):
        assert not re.search(rf"\b{word}\b", words), word
