"""A passage in a message: the same on both sides, whatever a chat did to it, and nothing made of anything else."""

from __future__ import annotations

import contextlib
import itertools
import random
import string
import zlib
from dataclasses import fields, replace
from functools import cache

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fingering.movements import Movement, Role
from fingering.table import Table, TableRow, standard_table
from fingerlead import library
from fingerlead.reading.asked import SessionMusic
from fingerlead.reading.music import Music, WrittenNote
from fingerlead.simulated.scenario import BUILT_IN
from fingerlead.store.passage import decode_passage, encode_changes, encode_passage, packing, text
from fingerlead.store.passage.packing import Packer, SymbolCounts, Unpacker, pack, unpack
from fingerlead.store.passage.stretch import OWN, Misread, WrittenPlace, cut
from fingerlead.store.passage.text import LONGEST_MESSAGE, PassageError, TooLongError
from fingerlead.timing.against import MISREAD
from fingerlead.timing.analysis import analyse
from fingerlead.timing.results import Settings, Timing
from tests.reading.players import beginner, movement_player, run_player
from tests.reading.repertoire import drawn_movements
from tests.store.passages import anyhow, embellished, played, shifted, told
from tests.store.playing import music_of, write_playing

MESSAGE = encode_changes(played("mixed", 5, 60), 10, 21)
PASSAGE = decode_passage(MESSAGE)
TWO = tuple(
    Music((WrittenNote(0),), start_us, asked=SessionMusic("rung", "a rung"))
    for start_us in (PASSAGE.end_us - 1, PASSAGE.end_us)
)
ROLE = Role("catch", (20.0, 40.0), (50.0, 90.5), True, OWN)
TURN = Movement(
    "my turn", "my turn", (0, 3, 0, 5), 1, "none", OWN, None, (ROLE, replace(ROLE, name="grace"), ROLE, ROLE), ()
)
LONG = encode_changes(played("trembling", 5, 60), 2, 45)
OF_CODE = text.ALPHABET + string.whitespace

# --- the same on both sides ---


def of_changes(found: dict, first: int) -> list[dict]:
    """The changes from one on, each with its movement in place of that one's number in the whole."""
    movements = [{**each, "change": None} for each in found["movements"]]
    return [
        {**change, "written": None, "movement": [] if change["movement"] is None else [movements[change["movement"]]]}
        for change in found["changes"][first:]
    ]


# Its budget has sizes of its own, and none for light.
WITHOUT_LIGHT = (
    "FINGERTIMES\n"
    "CAEGGCFK KEQP49SK EDGRC3NL VJRVXH3M\n"
    "CBJBMCMD HXDMWR9V 9THVWM94 DPJB7FRV\n"
    "KKAE3PA9 NM9CBKAC TVKXGMXC FJT3JZBL\n"
    "CTH79YXQ N3TD7MHA 9T\n"
    "THATSALL\n"
)


def test_a_budget_of_its_own_sizes_is_read_from_a_message_that_has_no_light_in_it():
    budget = decode_passage(WITHOUT_LIGHT).timing.budget
    sizes = {share.name: share.size for share in budget.shares}
    assert sizes.pop("light") == 0
    assert list(sizes.values()) == [290, 0, 0, 0.05, 0.1, 0.06, 0.15, 0.03, 0.03]


def test_a_budget_of_its_own_sizes_is_the_same_on_both_sides():
    passage = decode_passage(WITHOUT_LIGHT)
    for size in (0.0, 0.021):
        given = replace(
            passage, timing=replace(passage.timing, budget=passage.timing.budget.with_size("light", size, "given"))
        )
        assert decode_passage(encode_passage(given)) == given


def same_on_both_sides(analysis, first: int, last: int) -> None:
    passage = cut(analysis, first, last)
    opened = decode_passage(encode_passage(passage))
    assert replace(opened, table=passage.table) == passage
    assert (opened.table.name, opened.table.alternates) == (passage.table.name, passage.table.alternates)
    here, there = told(analysis), told(opened.analysis())
    assert of_changes(there, 0) == shifted(of_changes(here, first)[: last + 1 - first], passage.at_us)
    for key in ("timing", "settings"):
        assert there[key] == here[key]
    # The held notes of its changes, and the movements between them.
    from_us, until_us = (analysis.changes[number].edges for number in (first, last))
    begin_us, end_us = from_us[0][0], until_us[-1][0]
    # Where they are written is told of the session alone.
    ours, theirs = ([{**note, "written": None} for note in side["notes"]] for side in (here, there))
    notes = [note for note in ours if note["end_us"] > begin_us - 1 and note["start_us"] <= end_us]
    there_notes = [note for note in shifted(theirs, -passage.at_us) if note in notes]
    assert there_notes == notes
    assert shifted(there["movements"], -passage.at_us) == [
        o for o in here["movements"] if begin_us <= o["start_us"] and o["end_us"] <= end_us
    ]


@pytest.mark.parametrize("name", BUILT_IN)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_a_simulated_pupils_passage_is_the_same_on_both_sides(name, data):
    analysis = played(name, data.draw(st.integers(1, 4)), 80, data.draw(st.sampled_from((0, 0, 17))))
    first = data.draw(st.integers(0, len(analysis.changes) - 1))
    same_on_both_sides(analysis, first, data.draw(st.integers(first, min(first + 29, len(analysis.changes) - 1))))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 1 << 32), st.data())
def test_fingers_moved_anyhow_are_the_same_on_both_sides(seed, data):
    ours = Settings(
        steady_us=data.draw(st.sampled_from((40_000, 20_000, 90_000))),
        heard_us=data.draw(st.sampled_from((10_000, 1, 30_000))),
        stage_us=data.draw(st.sampled_from((25_000, 10_000, 40_000))),
    )
    analysis = anyhow(seed, 120, ours, standard_table(alternates=data.draw(st.booleans())))
    if not analysis.changes:
        return
    first = data.draw(st.integers(0, len(analysis.changes) - 1))
    same_on_both_sides(analysis, first, data.draw(st.integers(first, min(first + 4, len(analysis.changes) - 1))))


@pytest.mark.parametrize(
    ("seed", "ours", "first"),
    [
        (259, Settings(), 30),
        (259, Settings(steady_us=90_000), 31),
        (2659, Settings(heard_us=30_000), 27),
    ],
)
def test_a_note_whose_fingering_hangs_on_the_notes_beside_it_is_the_same_on_both_sides(seed, ours, first):
    same_on_both_sides(anyhow(seed, 120, ours, standard_table(alternates=False)), first, first)


def test_a_neighbour_goes_along_where_it_has_a_say_and_is_left_out_of_the_results():
    seen = set()
    for seed in range(12):
        analysis = anyhow(seed, 120)
        for first in range(len(analysis.changes)):
            passage = cut(analysis, first, first)
            seen.add(passage.skip)
            assert len(passage.analysis().changes) == 1
    assert {0, 1} < seen


@pytest.mark.parametrize("seed", range(8))
def test_read_against_music_a_passage_says_what_the_session_says(tmp_path, seed):
    chance = random.Random(seed)
    tune = [note for note, _ in itertools.groupby(chance.randrange(9) for _ in range(14))]
    off = SessionMusic(judged=False, why="hands off asked")
    play = beginner(tune, seed)
    asked = [
        (0, music_of(tune, stage_us=15_000)),
        (play.end_us // 2, off),
        (play.end_us // 2 + 3_000_000, SessionMusic()),
    ]
    analysis = library.analyse(library.read(write_playing(tmp_path / "a", play, *asked)))
    for first in range(0, len(analysis.changes), 3):
        last = min(first + chance.randrange(6), len(analysis.changes) - 1)
        same_on_both_sides(analysis, first, last)


def test_runs_and_movements_are_the_same_on_both_sides_against_music(tmp_path):
    runs = run_player(0, 3, 120_000, 1)
    analysis = library.analyse(library.read(write_playing(tmp_path / "a", runs, (0, music_of(runs.music)))))
    assert {change.verdict for change in analysis.changes} == {"stray"}
    for first in range(len(analysis.changes)):
        same_on_both_sides(analysis, first, first)
    some = drawn_movements(24, 1, ambiguous=False)
    moved = movement_player(some, 35_000, 55_000)
    analysis = library.analyse(library.read(write_playing(tmp_path / "b", moved, (0, music_of(moved.music)))))
    assert sum(movement.written is not None for movement in analysis.movements) > len(some) // 2
    for first in range(0, len(analysis.changes), 4):
        same_on_both_sides(analysis, first, min(first + 3, len(analysis.changes) - 1))


@pytest.mark.parametrize("seed", [204, 218, 224])
def test_grace_notes_that_were_not_asked_for_again_do_not_go_along(seed):
    """A note corrected after a wrong one is read without the grace notes that are written before it."""
    chance, played_freely = random.Random(seed), anyhow(seed, 120)
    written = tuple(
        WrittenNote(note.note, tuple(chance.randrange(9) for _ in range(chance.choice((0, 0, 1, 3)))))
        for note in played_freely.held
        if chance.random() < 0.9
    )
    record, timing, ours = played_freely.record, played_freely.timing, played_freely.settings
    analysis = analyse(record, standard_table(), timing, ours, (Music(written),))
    for first in range(0, len(analysis.changes), 5):
        same_on_both_sides(analysis, first, min(first + 3, len(analysis.changes) - 1))


def test_a_fingering_table_of_ones_own_goes_along():
    basis = list(standard_table().standard)
    other_c = 0b0110_1111  # bottom little and bottom middle down, bottom ring up
    row = TableRow(3, other_c, "alternate", "C with the little finger", "ours", 3)
    own = Table("Büchel's", tuple(basis), {other_c: row}, (row,))
    analysis = anyhow(3, 200, table=own)
    passage = cut(analysis, 0, 9)
    opened = decode_passage(encode_passage(passage))
    assert (opened.table.name, opened.table.standard) == (own.name, own.standard)
    assert list(opened.table.alternates) == [other_c]
    assert replace(opened, table=own) == passage
    assert told(opened.analysis())["changes"] == shifted(told(analysis)["changes"][:10], passage.at_us)


ENDS = st.lists(st.integers(1, 5_000_000), min_size=4, max_size=4, unique=True).map(sorted)
ROLES = st.builds(
    lambda name, ends, alike: Role(name, (ends[0] / 1e3, ends[1] / 1e3), (ends[2] / 1e3, ends[3] / 1e3), alike, OWN),
    st.sampled_from(("inner", "held", "")),
    ENDS,
    st.booleans(),
)


@st.composite
def own_forms(draw):
    """A form as a teacher may have it."""
    notes = draw(
        st.lists(st.integers(0, 8), min_size=1, max_size=12).filter(lambda row: all(map(int.__sub__, row, row[1:])))
    )
    on = draw(st.sampled_from((None, *(note for note in range(9) if note != notes[-1]))))
    name = draw(st.sampled_from(("a", "Büchel's turn")))
    roles = tuple(draw(st.lists(ROLES, min_size=len(notes), max_size=len(notes))))
    return Movement(name, name, tuple(notes), on, "none", OWN, draw(st.sampled_from((None, 4))), roles, ())


@settings(max_examples=30, deadline=None)
@given(st.lists(own_forms(), max_size=3))
def test_own_movements_come_whole(own):
    passage = replace(PASSAGE, own=tuple(own))
    passage.check()
    assert unpack(pack(passage)) == passage


@pytest.mark.parametrize("skew", ["measured", "assumed", "given"])
@pytest.mark.parametrize("clock", ["chanter", "host"])
def test_how_far_the_times_can_be_trusted_goes_along(clock, skew):
    timing = Timing(clock, 12_345, 1_733, 2_222, skew)
    analysis = anyhow(8, 120, timing=timing)
    assert decode_passage(encode_changes(analysis, 0, 3)).timing == timing


# --- its length ---


@pytest.mark.parametrize("name", BUILT_IN)
@pytest.mark.parametrize("seed", range(1, 5))
def test_thirty_changes_fit(name, seed):
    analysis = played(name, seed, 120)
    for first in range(0, len(analysis.changes) - 30, 3):
        assert len(encode_changes(analysis, first, first + 29)) <= LONGEST_MESSAGE


@pytest.mark.parametrize("name", BUILT_IN)
@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1 << 32))
def test_thirty_changes_with_a_movement_in_each_fit(name, seed):
    analysis = embellished(name, seed, 40)
    assert len(analysis.movements) > 5
    for first in (0, len(analysis.changes) - 30):
        message = encode_changes(analysis, first, first + 29)
        assert len(message) <= LONGEST_MESSAGE
        same_on_both_sides(analysis, first, first + 29)


def test_thirty_changes_fit_where_the_chanters_stamps_are_no_whole_scans_apart():
    chance = random.Random(5)
    for name in BUILT_IN:
        passage = cut(played(name, 3, 60), 5, 34)
        times = sorted(t_us + chance.randrange(1_000) for t_us, _ in passage.edges)
        edges = tuple((t_us - times[0], mask) for t_us, (_, mask) in zip(times, passage.edges, strict=True))
        assert len(encode_passage(replace(passage, edges=edges, end_us=passage.end_us + 1_000))) <= LONGEST_MESSAGE


def test_where_they_do_not_fit_it_says_how_many_do(monkeypatch):
    monkeypatch.setattr(text, "MOST_PARTS", 2)
    analysis = played("trembling", 2, 200)
    with pytest.raises(TooLongError) as caught:
        encode_changes(analysis, 4, len(analysis.changes) - 1)
    assert "--changes 5.." in str(caught.value)
    fit = int(str(caught.value).split("5..")[1].split(".")[0]) - 4
    assert len(encode_changes(analysis, 4, 3 + fit).split(text.BETWEEN)) == 2
    with pytest.raises(TooLongError):
        encode_changes(analysis, 4, 4 + fit)


# --- a passage that is too long for one message ---


@cache
def many() -> tuple[str, ...]:
    """The messages of one passage."""
    analysis = played("trembling", 2, 200)
    return tuple(encode_changes(analysis, 4, len(analysis.changes) - 1).split(text.BETWEEN))


def test_a_longer_passage_goes_in_several_messages_and_comes_whole():
    analysis = played("trembling", 2, 200)
    last = len(analysis.changes) - 1
    assert [message.split("\n")[0] for message in many()] == [
        f"{n} of {len(many())}" for n in range(1, len(many()) + 1)
    ]
    assert len(many()) == 3
    assert all(len(message) <= LONGEST_MESSAGE for message in many())
    same_on_both_sides(analysis, 4, last)


@given(st.integers(0, 1 << 62))
def test_parts_are_joined_in_any_order_each_as_often_as_it_came(seed):
    chance = random.Random(seed)
    parts = [*many(), *chance.choices(many(), k=3)]
    chance.shuffle(parts)
    pasted = "\n".join(f"Ann, today at 10:32\n{through_a_chat(part, chance)}" for part in parts)
    assert text.read(pasted) == text.read(text.BETWEEN.join(many()))


@pytest.mark.parametrize("left_out", [{1}, {2}, {1, 3}])
def test_a_part_that_is_missing_is_named(left_out):
    there = [part for number, part in enumerate(many(), 1) if number not in left_out]
    with pytest.raises(PassageError) as caught:
        decode_passage("\n".join(there))
    named = " and ".join(map(str, sorted(left_out)))
    assert f"expected all {len(many())} messages of this passage; got {len(there)} of them" in str(caught.value)
    assert f"Paste {named} of {len(many())} too" in str(caught.value)


def test_parts_of_two_passages_or_beside_a_whole_one_are_refused():
    analysis = played("mixed", 6, 200)
    others = encode_changes(analysis, 0, len(analysis.changes) - 1).split(text.BETWEEN)
    for pasted in ([*many(), others[0]], [many()[0], *others[1:]], [*many(), MESSAGE], [MESSAGE, *many()]):
        assert refused("\n".join(pasted))


def test_a_letter_of_a_part_that_changed_is_refused():
    chance = random.Random(3)
    pasted = "\n".join(many())
    places = [place for place, letter in enumerate(pasted) if letter in text.ALPHABET]
    for place in chance.sample(places, 60):
        other = chance.choice([letter for letter in text.ALPHABET if letter != pasted[place]])
        assert refused(pasted[:place] + other + pasted[place + 1 :])


@pytest.mark.parametrize(("first", "last"), [(-1, 2), (3, 2), (0, 10_000), (80, 80)])
def test_changes_that_are_not_there_are_refused(first, last):
    with pytest.raises(PassageError, match="expected changes from 1 to"):
        encode_changes(played("clean", 1, 80), first, last)


# --- every single error ---


def refused(damaged: str) -> bool:
    try:
        decode_passage(damaged)
    except PassageError as error:
        sentence = str(error)
        assert sentence.startswith("expected ")
        assert "; got " in sentence
        assert sentence.isprintable()
        assert len(sentence) < 400
        return True
    return False


LETTERS = string.ascii_letters + string.digits


@pytest.mark.parametrize("message", [MESSAGE, encode_changes(played("clean", 1, 80), 3, 3)])
def test_every_letter_changed_lost_or_added_is_refused(message):
    places = [place for place, letter in enumerate(message) if not letter.isspace()]
    assert decode_passage(message)
    for place in places:
        before, letter, after = message[:place], message[place], message[place + 1 :]
        assert refused(before + after)
        for other in LETTERS:
            assert other == letter or refused(before + other + after)
            assert refused(before + other + letter + after)
    assert all(refused(message + other) for other in LETTERS)


@pytest.mark.parametrize("message", [MESSAGE, LONG])
def test_every_two_neighbours_swapped_are_refused(message):
    places = [place for place, letter in enumerate(message) if not letter.isspace()]
    for one, other in itertools.pairwise(places):
        if message[one] != message[other]:
            swapped = list(message)
            swapped[one], swapped[other] = message[other], message[one]
            assert refused("".join(swapped))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from((MESSAGE, LONG)), st.data())
def test_anything_put_in_is_refused_or_changes_nothing(message, data):
    place = data.draw(st.integers(0, len(message)))
    damaged = message[:place] + data.draw(st.characters()) + message[place:]
    with contextlib.suppress(PassageError):
        assert decode_passage(damaged) == decode_passage(message)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from((MESSAGE, LONG)), st.data())
def test_letters_changed_together_are_refused(message, data):
    letters = list(message)
    places = [place for place, letter in enumerate(letters) if letter in text.ALPHABET]
    for place in data.draw(st.lists(st.sampled_from(places), min_size=2, max_size=20, unique=True)):
        letters[place] = data.draw(st.sampled_from(text.ALPHABET))
    damaged = "".join(letters)
    assert damaged == message or refused(damaged)


# --- what chats do ---

QUOTES = ("", "> ", ">", "| ", "> > ", "> | ", "Ann: ", "[10:32] Ann: ", "> Ann Lee: > ", "\t", "    ")
INVISIBLE = "\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f"
SPACES = " \u00a0\u2009\u202f\u3000\t"
ENDS = ("\n", "\r\n", "\n\n", "\u2028", " \n", "\u00a0\n", "\r")
BEFORE = ("", "“", "Listen to this: ", "```\n", "*", "_ ", "— Ann 🙂\n", "fingerlead open ", '"', "It goes like this…")
AFTER = ("", "”", "…", "\n```", "*", ".", " Thanks!\nAnn", " — Ann 🙂", '"', "\n> what is that?")


def through_a_chat(message: str, chance: random.Random) -> str:
    """The message with its words on other lines, quoted, with other spaces, and with words around it."""
    width, quotes = chance.randint(12, 200), chance.sample(QUOTES, chance.randint(1, 3))
    lines = [""]
    for word in message.split():
        if lines[-1] and len(lines[-1]) + len(word) >= width:
            lines.append("")
        lines[-1] += chance.choice(SPACES) * bool(lines[-1]) + word
    altered = ""
    for number, line in enumerate(lines):
        altered += chance.choice(ENDS) * bool(number) + chance.choice(quotes) + line
    for _ in range(chance.randrange(6)):
        place = chance.randrange(len(altered) + 1)
        altered = altered[:place] + chance.choice(INVISIBLE) + altered[place:]
    return chance.choice(BEFORE) + altered + chance.choice(AFTER)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from((MESSAGE, LONG)), st.integers(0, 1 << 62))
def test_what_a_chat_does_changes_nothing(message, seed):
    assert decode_passage(through_a_chat(message, random.Random(seed))) == decode_passage(message)


@pytest.mark.parametrize("width", range(11, 60))
def test_lines_broken_anywhere_change_nothing(width):
    begin, *rows, end = MESSAGE.split("\n")
    code = " ".join(rows)
    lines = [code[place : place + width] for place in range(0, len(code), width)]
    assert decode_passage("\n".join([begin, *lines, end])) == PASSAGE


def test_talk_between_its_lines_changes_nothing():
    begin, *rows = MESSAGE.split("\n")
    for where in range(len(rows)):
        lines = [begin, *rows]
        lines.insert(1 + where, "Ann, today at 10:32")
        assert decode_passage("\n".join(lines)) == PASSAGE


# --- what is no message ---


@pytest.mark.parametrize(
    ("damaged", "sentence"),
    [
        ("", "text without either"),
        ("hello", "text without either"),
        (MESSAGE[: len(MESSAGE) // 2], "one without THATSALL"),
        (MESSAGE[len(MESSAGE) // 2 :], "one without FINGERTIMES"),
        (f"{text.END} {text.BEGIN}", "THATSALL first"),
        (f"{text.BEGIN}\n{text.END}", "expected a code of at least"),
        (MESSAGE + "\n" + LONG, "2 beginnings and 2 ends"),
        (MESSAGE[:200] + "\n" + LONG, "2 beginnings and 1 ends"),
        (MESSAGE.lower(), "text without either"),
        (f"{text.BEGIN}\n{'A' * 2_000}\n{text.END}", "expected a code of at most 1500 letters; got 2000"),
        ("x" * 10_000_000, "at most 200000 characters; got 10000000"),
    ],
)
def test_what_is_no_whole_message_is_refused_in_a_sentence(damaged, sentence):
    with pytest.raises(PassageError) as caught:
        decode_passage(damaged)
    assert sentence in str(caught.value)


def test_two_halves_of_two_messages_are_refused():
    other = encode_changes(played("mixed", 6, 60), 10, 21)
    rows, others = MESSAGE.split("\n"), other.split("\n")
    for many in range(2, min(len(rows), len(others)) - 1):
        assert refused("\n".join(rows[:many] + others[many:]))


def sealed(body: str) -> str:
    """A code with the right check letters, whatever it holds."""
    check, letters = zlib.crc32(body.encode()), ""
    for _ in range(text.CHECK_LETTERS):
        check, place = divmod(check, len(text.ALPHABET))
        letters = text.ALPHABET[place] + letters
    return f"{text.BEGIN}\n{body}{letters}\n{text.END}"


def test_another_version_is_named():
    code = "".join(MESSAGE.split()[1:-1])[: -text.CHECK_LETTERS]
    assert decode_passage(sealed(code)) == PASSAGE
    with pytest.raises(PassageError, match=r"version 2; got version 3.*a newer fingerlead may open it"):
        decode_passage(sealed(text.ALPHABET[3] + code[1:]))


# --- what a stranger may put in, with the right check letters ---


@example(b"I\xb0\x82\xf6=T\x00VR\x8c\xfc@")  # sensors that are hours apart
@settings(max_examples=400, deadline=None)
@given(st.binary(min_size=1, max_size=700))
def test_any_number_is_a_passage_or_refused(content):
    message = text.write(int.from_bytes(content, "big"))
    if not refused(message):
        passage = decode_passage(message)
        assert decode_passage(encode_passage(passage)).edges == passage.edges


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_passage_with_a_false_part_is_refused_or_carried(data):
    """Numbers that no honest sender writes, packed by an honest packer."""
    number = st.one_of(st.integers(0, 5), st.integers(0, (1 << 62) - 1))
    edges = list(PASSAGE.edges)
    for _ in range(data.draw(st.integers(0, 3))):
        edges[data.draw(st.integers(0, len(edges) - 1))] = (data.draw(number), data.draw(st.integers(0, 255)))
    edges.sort()
    false = replace(
        PASSAGE,
        number=data.draw(number),
        count=data.draw(number),
        skip=data.draw(number),
        at_us=data.draw(number),
        edges=tuple(edges[: data.draw(st.integers(0, len(edges)))]),
        end_us=(1 << 62) + data.draw(number),
        timing=Timing("host", data.draw(number), data.draw(number), data.draw(number), "given"),
        settings=Settings(*(data.draw(number) for _ in fields(Settings))),
    )
    assert refused(text.write(pack(false)))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (dict(number=10**9 + 1), "a change's number"),
        (dict(count=0), "1 to 5000 changes"),
        (dict(count=1_000), "finger times for 1000 changes"),
        (dict(skip=69), "at most 68 changes besides"),
        (dict(at_us=(1 << 62) + 1), "a beginning within a session"),
        (dict(edges=()), "1 to 5000 finger times"),
        (dict(edges=((0, 255),) * 2), "fingers that move at each finger time"),
        (dict(edges=((7, 255), (8, 127))), "a first finger time of 0"),
        (dict(edges=((0, 255), (8, 127)), end_us=10**15), "at most a day"),
        (dict(edges=((0, 255), (8, 127)), end_us=10, doubts=()), "finger times for"),
        (dict(settings=Settings(steady_us=0)), "steady_us from 1"),
        (dict(settings=Settings(stage_us=10**9)), "stage_us from 1"),
        (dict(timing=Timing("host", 10**17, 0, 0, "given")), "a timing uncertainty of at most a day"),
        (dict(misread=(Misread("missed", 0, None, None, None, None, False),)), "a written note"),
        (dict(misread=(Misread("extra", 0, 3, 4, None, None, False),)), "a written note"),
        (dict(misread=(Misread("wrong", 0, 3, None, None, 7, False),)), "a note that was played"),
        (dict(misread=(Misread("missed", 0, 3, 4, None, 7, True),)), "a note that was played"),
        (dict(misread=(Misread("repeated", 0, None, 4, 5, None, False),)), "a finger with a note too many"),
        (dict(misread=(Misread("extra", 10**12, None, 4, 5, None, False),)), "notes not as written in order of time"),
        (dict(musics=(Music(asked=SessionMusic(name="a\nb")),)), "a short name of a music"),
        (dict(musics=(Music(),), places=(WrittenPlace(0, 1, 0, None),)), "a music of the passage"),
        (dict(musics=TWO, places=(WrittenPlace(2, 1, 0, None),)), "a music of the passage"),
        (dict(musics=TWO, places=(WrittenPlace(-1, 1, 0, None),)), "a music of the passage"),
        (dict(musics=TWO, places=(WrittenPlace(1, 0, 0, None),)), "a pass up to"),
        (dict(musics=TWO, places=(WrittenPlace(1, 1, -1, None),)), "a written note up to"),
        (dict(musics=TWO, places=(WrittenPlace(1, 1, 0, 10**10),)), "a bar up to"),
        (dict(musics=TWO, places=(None, WrittenPlace(1, 1, 0, 3))), "places of"),
        (dict(own=(TURN,) * 31), "at most 30 forms of own movements"),
        (dict(own=(replace(TURN, name=""),)), "a short name of an own movement"),
        (dict(own=(replace(TURN, name="a\x1bb"),)), "a short name of an own movement"),
        (dict(own=(replace(TURN, on=5),)), "another note after each of an own movement"),
        (dict(own=(replace(TURN, notes=(0, 3, 3, 5)),)), "another note after each of an own movement"),
        (dict(own=(replace(TURN, roles=(replace(ROLE, learner=(20.0, 90.0)),) * 4),)), "lengths that rise"),
        (dict(own=(replace(TURN, roles=(replace(ROLE, skilled=(0.0, 40.0)),) * 4),)), "lengths that rise"),
        (dict(own=(replace(TURN, roles=(replace(ROLE, learner=(50.0, 1e9)),) * 4),)), "lengths that rise"),
    ],
)
def test_each_false_part_has_its_sentence(change, sentence):
    with pytest.raises(PassageError) as caught:
        decode_passage(text.write(pack(replace(PASSAGE, **change))))
    assert sentence in str(caught.value)


@settings(deadline=None)
@given(st.data())
def test_what_is_not_as_written_comes_whole_and_in_words(data):
    kinds = data.draw(st.lists(st.sampled_from(MISREAD), max_size=12))
    times = sorted(data.draw(st.lists(st.integers(0, PASSAGE.end_us), min_size=len(kinds), max_size=len(kinds))))
    a_note, a_bar = st.integers(0, 8), st.none() | st.integers(0, 400)
    misread = tuple(
        Misread(
            kind,
            at_us,
            data.draw(a_note) if kind in ("missed", "wrong") else None,
            None if kind == "missed" else data.draw(a_note),
            data.draw(st.none() | st.integers(0, 7)) if kind == "extra" else None,
            data.draw(a_bar),
            data.draw(st.booleans()),
        )
        for kind, at_us in zip(kinds, times, strict=True)
    )
    passage = decode_passage(text.write(pack(replace(PASSAGE, misread=misread))))
    assert passage.misread == misread
    told = passage.misread_words(passage.analysis())
    for one, words in zip(misread, told, strict=True):
        assert words.startswith("" if one.bar is None else f"Bar {one.bar}: ")
        assert words.endswith("Something was lost there.") == one.uncertain


def test_hostile_counts_cost_nothing():
    for counts in ((1 << 62, 0), (0, 1 << 62), (5_000, 2_000)):
        packer, sizes = Packer(), SymbolCounts()
        for value in (0, 1, 0, 0, *counts):
            packer.number(value, sizes)
        assert refused(text.write(packer.packed()))


def test_what_follows_a_passage_is_refused(monkeypatch):
    class Longer(Packer):
        def packed(self):
            self.among(1, 2)
            return super().packed()

    monkeypatch.setattr(packing, "Packer", Longer)
    with pytest.raises(PassageError, match="one that goes on"):
        unpack(pack(PASSAGE))


# --- numbers ---


@given(st.lists(st.one_of(st.integers(-(1 << 61), 1 << 61), st.sampled_from((0, 1, -1)))))
def test_numbers_come_back(numbers):
    packer, sizes, kinds = Packer(), SymbolCounts(), SymbolCounts(3)
    for number in numbers:
        packer.signed(number, sizes)
        packer.symbol(number % 3, kinds)
        packer.among(number % 7, 7)
    unpacker, sizes, kinds = Unpacker(packer.packed()), SymbolCounts(), SymbolCounts(3)
    for number in numbers:
        assert unpacker.signed(0, sizes) == number
        assert unpacker.symbol(0, kinds) == number % 3
        assert unpacker.among(0, 7) == number % 7
    assert unpacker.rest == 0


@given(st.integers(0, 1 << 5_000))
def test_a_number_comes_back_as_text(number):
    assert text.read(text.write(number)) == number


def test_the_check_is_that_of_the_standard():
    # The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms (G. Cook).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    body = "".join(MESSAGE.split()[1:-1])[: -text.CHECK_LETTERS]
    assert sealed(body).split()[1] == "".join(MESSAGE.split()[1:-1])


def test_the_alphabet_has_no_two_that_look_alike():
    # Common practice, no source.
    for pair in ("0O", "1I", "2Z", "5S", "8B", "6G", "UV", "IL", "QO", "0Q"):
        assert sum(letter in text.ALPHABET for letter in pair) <= 1
    assert text.ALPHABET.isalnum()
    assert text.ALPHABET.upper() == text.ALPHABET
    assert len(set(text.ALPHABET)) == len(text.ALPHABET) == 27
