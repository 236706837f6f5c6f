"""ABC notation to tunes: the part of ABC 2.1 that pipe music uses.

Read are the fields X T C R M L Q K w and +, notes, rests, graces, broken rhythm, tuplets, ties, bar lines, repeats and
endings, comments, and several tunes in a text. The rest of the standard is passed over with a warning. What cannot be
read raises AbcError. Text beyond SIZE_LIMIT is refused; up to there the work grows with the text's length.
"""

import re
from typing import Any

from fingerlead.music.abc_body import MusicReader
from fingerlead.music.abc_text import (
    NEXT_BAR,
    AbcError,
    AbcWarning,
    FieldText,
    Warnings,
    default_unit,
    read_key,
    read_meter,
    read_tempo,
    read_unit,
    read_words,
    shown,
)
from fingerlead.music.tune import Tune

SIZE_LIMIT = 200_000  # characters; a book of two hundred pipe tunes takes half of it

_LINE_END = re.compile(r"\r\n|\r|\n")
_FIELD = re.compile(r"[A-Za-z+]:")
# In a tune's music a note with a repeat sign right after it is no field, though it looks like one.
_NO_FIELD = re.compile(r"[A-Ga-g]:[|:]")
_COMMENT = re.compile(r"(?<!\\)%")
_CONTINUES = re.compile(r"\\\s*$")
_NUMBER = re.compile(r"[0-9]{1,9}")


def parse_abc(text: str | bytes, source_name: str = "") -> tuple[list[Tune], list[AbcWarning]]:
    """All tunes of an ABC text, and what was passed over.

    Bytes are read as UTF-8 or, where they are none, as Latin-1; any line ends. `source_name` is named in errors.
    """
    if len(text) > SIZE_LIMIT:
        raise AbcError(1, 1, f"at most {SIZE_LIMIT} characters of ABC", f"{len(text)}: cut the file", source_name)
    reader = _FileReader(source_name)
    for number, line in enumerate(_LINE_END.split(_decoded(text)), 1):
        reader.line(line, number)
    reader.end_tune()
    if not reader.tunes:
        raise AbcError(1, 1, "a tune, which begins with a line X:1", "no such line", source_name)
    return reader.tunes, reader.warnings.found


def first_tune_text(text: str | bytes) -> str:
    """The text of the first tune alone, with the fields above it that hold for all tunes."""
    lines: list[str] = []
    begun = False
    for line in _LINE_END.split(_decoded(text)):
        if line.startswith("X:"):
            if begun:
                break
            begun = True
        lines.append(line)
    return "\n".join(lines).rstrip() + "\n"


def _decoded(text: str | bytes) -> str:
    if isinstance(text, bytes):
        try:
            return text.decode("utf-8-sig")
        except UnicodeDecodeError:
            return text.decode("latin-1")
    return text.removeprefix("\ufeff")


class _FileReader:
    """Hands each line to the tune it belongs to; fields above the first tune hold for all of them."""

    def __init__(self, source_name: str) -> None:
        self.tunes: list[Tune] = []
        self.warnings = Warnings()
        self._source_name = source_name
        self._defaults: dict[str, FieldText] = {}
        self._tune: _TuneReader | None = None
        self._begun = False

    def line(self, text: str, number: int) -> None:
        """One line, with its number."""
        if text.startswith("%%"):
            self.warnings.add(number, 1, f"an instruction to another program is passed over: {shown(text)}")
            return
        comment = _COMMENT.search(text)
        if comment is not None:
            text = text[: comment.start()].rstrip()
            if not text:
                return
        if not text.strip():
            self.end_tune()
            return
        in_music = self._tune is not None and self._tune.in_music
        if _FIELD.match(text) and not (in_music and _NO_FIELD.match(text)):
            value = text[2:]
            begins = 3 + len(value) - len(value.lstrip())
            self._field(text[0], FieldText(value.strip().replace("\\%", "%"), number, begins, self._source_name))
        elif self._tune is not None:
            self._tune.music(text, number)

    def _field(self, letter: str, field: FieldText) -> None:
        if letter == "X":
            self.end_tune()
            self._begun = True
            self._tune = _TuneReader(field, self._defaults, self.warnings)
        elif self._tune is not None:
            self._tune.field(letter, field)
        elif not self._begun and letter in "MLQCR":
            self._defaults[letter] = field

    def end_tune(self) -> None:
        """An empty line, a new tune or the end of the text."""
        if self._tune is not None:
            self.tunes.append(self._tune.finish())
            self._tune = None


class _TuneReader:
    """One tune, from its X: to the empty line after it."""

    def __init__(self, number: FieldText, defaults: dict[str, FieldText], warnings: Warnings) -> None:
        if not _NUMBER.fullmatch(number.text):
            raise number.refuse("the tune's number after X:")
        self._number, self._warnings, self._source_name = int(number.text), warnings, number.source_name
        self._begins = number
        self._fields = dict(defaults)
        self._own: set[str] = set()
        self._header: dict[str, Any] = {}
        self._music: MusicReader | None = None
        self._voice: str | None = None
        self._other_voice = False
        self._words: FieldText | None = None
        self._words_allowed = False
        self._last_field = ""
        self._at = (number.line, 1)

    @property
    def in_music(self) -> bool:
        """Whether the header is over."""
        return self._music is not None

    # --- the header ---

    def field(self, letter: str, field: FieldText) -> None:
        """A line that is a field."""
        self._at = (field.line, field.column)
        if letter == "+":
            self._continue(field)
            return
        self._read_words()
        self._last_field = letter
        if self._music is not None:
            self._field_in_music(letter, field, within_line=False)
        elif letter == "K":
            self._end_header(field)
        elif letter in "TCRMLQ":
            if letter in self._own:
                self._warnings.add(field.line, field.column, f"a second {letter}: is passed over")
                self._last_field = ""
            else:
                self._own.add(letter)
                self._fields[letter] = field
        elif letter == "V":
            self._choose_voice(field)
        else:
            self._pass_over(letter, field)

    def _pass_over(self, letter: str, field: FieldText) -> None:
        if letter != "r":  # a remark
            self._warnings.add(field.line, 1, f"the field {letter}: is passed over")

    def _continue(self, field: FieldText) -> None:
        """`+:` lengthens the field before."""
        if self._last_field == "w" and self._words is not None:
            self._words = self._words.longer(field)
        elif self._music is None and self._last_field in ("T", "C", "R") and self._last_field in self._fields:
            self._fields[self._last_field] = self._fields[self._last_field].longer(field)
        else:
            self._pass_over("+", field)

    def _end_header(self, field: FieldText) -> None:
        key, scale = read_key(field, self._warnings)
        fields = self._fields
        meter = read_meter(fields["M"]) if "M" in fields else None
        unit = read_unit(fields["L"]) if "L" in fields else default_unit(meter)
        tempo = read_tempo(fields["Q"], unit) if "Q" in fields else None
        self._header = {"meter": meter, "unit": unit, "tempo": tempo, "key": key}
        self._music = MusicReader(unit, scale, meter, self._warnings, self._source_name, self._field_in_brackets)

    # --- the body ---

    def music(self, text: str, line: int) -> None:
        """A line that is no field."""
        if self._music is None:
            raise AbcError(line, 1, "a field such as T: or K:, which ends the header", shown(text), self._source_name)
        self._read_words()
        self._last_field = ""
        self._at = (line, len(text) + 1)
        continues = _CONTINUES.search(text)
        text = text[: continues.start()] if continues else text
        if not self._words_allowed:
            self._music.line_notes = []
        if not (self._other_voice and not text.startswith("[V:")):
            self._music.music(text.rstrip(), line, 1)
        if not continues:
            self._music.end_of_line()
        self._words_allowed = bool(continues)

    def _field_in_brackets(self, token: Any, line: int, column: int) -> None:
        value = token[3:-1]
        begins = column + 3 + len(value) - len(value.lstrip())
        self._field_in_music(token[1], FieldText(value.strip(), line, begins, self._source_name), within_line=True)

    def _field_in_music(self, letter: str, field: FieldText, within_line: bool) -> None:
        music = self._music
        assert music is not None
        if letter == "w" and not within_line:
            self._words = field
        elif letter == "L":
            music.unit = read_unit(field)
        elif letter == "M" and not music.within_bar:
            music.change_meter(read_meter(field))
        elif letter == "K" and field.text in ("HP", "Hp"):
            pass
        elif letter == "V":
            self._choose_voice(field)
        else:
            self._pass_over(letter, field)

    def _choose_voice(self, field: FieldText) -> None:
        """Only the voice that comes first is read."""
        name = field.text.split(None, 1)[0] if field.text else ""
        if self._voice is None:
            self._voice = name
        self._other_voice = name != self._voice and self._music is not None
        if name != self._voice:
            self._warnings.add(field.line, field.column, f"the voice {shown(name)} is passed over")

    def _read_words(self) -> None:
        """The words of the last `w:` go to the notes of the line of music above it."""
        if self._words is None or self._music is None:
            return
        field, self._words = self._words, None
        notes = self._music.line_notes
        if not notes:
            self._warnings.add(field.line, field.column, "words with no line of notes above them are passed over")
            return
        self._music.line_notes = []
        at = 0
        for word in read_words(field.text):
            if at >= len(notes):
                self._warnings.add(field.line, field.column, "more words than notes: the rest is passed over")
                return
            if word == NEXT_BAR:
                bar = notes[at].bar if at == 0 or notes[at].bar == notes[at - 1].bar else notes[at].bar - 1
                while at < len(notes) and notes[at].bar <= bar:
                    at += 1
            else:
                notes[at].amend(word=word)
                at += 1

    def finish(self) -> Tune:
        """The tune as read."""
        self._read_words()
        if self._music is None:
            raise AbcError(*self._at, "a line K:HP or K:Hp, which ends the header", "no such line", self._source_name)
        bars = self._music.finish(*self._at)
        if not bars:
            self._warnings.add(self._begins.line, 1, f"tune {self._number} has no notes")
        texts = {letter: self._fields[letter].text for letter in "TCR" if letter in self._fields}
        return Tune(
            self._number,
            texts.get("T", ""),
            bars,
            texts.get("C", ""),
            texts.get("R", ""),
            source_name=self._source_name,
            **self._header,
        )
