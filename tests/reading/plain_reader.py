"""The reading said again in the plainest way: every walk over the stretches of a short performance, by recursion.

Written from the definitions, to be compared with the program's reader. It shares the prices and the lists of movements
and strays with it, no code. A walk is a list of (stretch, position in the music); of equally dear walks the one counts
whose notes follow one another more closely, seen from the end, and stand at the earlier position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations, pairwise

from fingering.movements import forms_between
from fingering.moves import possible_strays
from fingering.notes import sounding
from fingering.table import standard_table
from fingerlead.reading import costs as prices
from fingerlead.reading import music as model

STANDARD = standard_table().standard
OFF = 9
NEVER = prices.NEVER
FAR_DEARER, MOST_WALKS, SPELL = 9_000, 8, 16
OFF_STEP_US, OFF_NOTE_US, OFF_STILL_US, OFF_BORDER = 250_000, 120_000, 200_000, 2_500
PERHAPS_US = 250_000
MOST_LEFT_OUT, MOST_INSIDE = 3, 2


@dataclass
class Stretch:
    """A sounding note (OFF: hands off) with its masks as (start, end, mask); all times in µs."""

    note: int
    parts: list[tuple[int, int, int]]
    mask: int = 0
    reach_us: int = 0  # the start of the first steady part of its settled mask
    leave_us: int = 0  # the end of the last one

    @property
    def start_us(self) -> int:
        return self.parts[0][0]

    @property
    def end_us(self) -> int:
        return self.parts[-1][1]

    @property
    def lasts_us(self) -> int:
        return self.end_us - self.start_us


@dataclass
class Why:
    """An explanation: `notes` are the places, among the sounds, of the notes of a movement."""

    kind: str
    cost: int
    movement: object = None
    notes: tuple[int, ...] = ()
    missing: int = 0


@dataclass
class Between:
    """What stands between two melody notes, which are stretches by number."""

    first: int
    last: int
    sounds: tuple[int, ...] = ()
    why: Why = field(default_factory=lambda: Why("direct", 0))
    graces: tuple[int, ...] = ()
    doubt: str | None = None


@dataclass
class Walk:
    cost: int
    steps: list[tuple[int, int, bool]]  # stretch, position, whether the note is written there
    between: list[Between]


def parts_of(states, end_us):
    """(start, end, mask) of every stretch of one mask."""
    out = []
    for t_us, mask in states:
        if out and out[-1][2] == mask:
            continue
        if out:
            out[-1][1] = t_us
        out.append([t_us, None, mask])
    if out:
        out[-1][1] = max(end_us, out[-1][0])
    return [tuple(part) for part in out]


def stretches_of(parts, settings):
    """The stretches of one sounding note; what interrupts one for less than a bounce is part of it."""

    def note_of(part):
        return OFF if part[2] == 0 and part[1] - part[0] >= settings.steady_us else sounding(part[2])

    runs = []
    for part in parts:
        if runs and note_of(runs[-1].parts[-1]) == note_of(part):
            runs[-1].parts.append(part)
        else:
            runs.append(Stretch(note_of(part), [part]))
    out = []
    for run in runs:
        out.append(run)
        if run.lasts_us < settings.bounce_us:
            continue
        for back in range(len(out) - 2, -1, -1):
            before = out[back]
            if before.lasts_us < settings.bounce_us:
                continue
            short = run.start_us - before.end_us < settings.bounce_us
            if before.note == run.note and short and back < len(out) - 2:
                for inner in out[back + 1 :]:
                    before.parts += inner.parts
                del out[back + 1 :]
            break
    for one in out:
        settle(one, settings)
    return out


def settle(stretch, settings):
    """The mask that the note settles on: the standard one that comes in time and stays, else the longest."""
    lasts = [end_us - start_us for start_us, end_us, _ in stretch.parts]
    standard = 255 if stretch.note == OFF else STANDARD[stretch.note]
    stretch.mask = stretch.parts[lasts.index(max(lasts))][2]
    for i, (start_us, _, mask) in enumerate(stretch.parts):
        others = [lasts[j] for j in range(i + 1, len(lasts)) if stretch.parts[j][2] != standard]
        in_time = start_us - stretch.start_us <= settings.correction_us
        if mask == standard and in_time and lasts[i] > max(others, default=0):
            stretch.mask = mask
            break
    own = [part for part in stretch.parts if part[2] == stretch.mask]
    steady = [part for part in own if part[1] - part[0] >= settings.steady_us]
    steady = steady or [max(own, key=lambda part: part[1] - part[0])]
    stretch.reach_us, stretch.leave_us = steady[0][0], steady[-1][1]


def lasting_moves(parts, settings):
    """(time, whether it closes) of each finger's moves; those that follow one another within a bounce are one.

    It is the last of them, or none where they cancel out.
    """
    out = []
    for finger in range(8):
        bits = [
            (after[0], after[2] >> finger & 1, (before[2] ^ after[2]) >> finger & 1)
            for before, after in pairwise(parts)
        ]
        moves = [(at_us, bool(closes)) for at_us, closes, moved in bits if moved]
        group = []
        for one, following in pairwise([*moves, None]):
            group.append(one)
            if following is None or following[0] - one[0] >= settings.bounce_us:
                out += group[-1:] if len(group) % 2 else []
                group = []
    return sorted(out)


def log_of(length_us, to_us, times=1):
    return round(1_000 * math.log(times * max(length_us, 1) / max(to_us, 1)))


def may_stray(note, left, right):
    return note in possible_strays(left, right)


def movement_in(a, b, sounds, costs):
    """The movement that the sounds make between two notes, with the fewest strays among them; None where none."""
    for strays in range(MOST_INSIDE + 1):
        best = None
        for out in combinations(range(len(sounds)), strays):
            kept = [place for place in range(len(sounds)) if place not in out]
            form = forms_between(a, b).get(tuple(sounds[place] for place in kept)) if kept else None
            if form is None:
                continue
            fits = True
            for place in out:
                left = [sounds[at] for at in kept if at < place] or [a]
                right = [sounds[at] for at in kept if at > place] or [b]
                note = sounds[place]
                fits &= may_stray(note, left[-1], right[0]) or may_stray(note, a, b) or note == a
            cost = costs.movement + costs.inside * strays + costs.left_out * form.left_out
            if fits and (best is None or cost < best.cost):
                best = Why("movement", cost, form.movement, tuple(kept), form.left_out)
        if best is not None:
            return best
    return None


def strays_in(a, b, sounds, costs):
    """The sounds as strays of the change from one note to the other; None where they cannot be."""
    thirds = [note for note in sounds if note not in (a, b)]
    if a == b or not thirds or not all(may_stray(note, a, b) for note in thirds):
        return None
    return Why(
        "strays", costs.stray + costs.stray_more * (len(thirds) - 1) + costs.bounced * (len(sounds) - len(thirds))
    )


def written_in(a, b, graces, sounds, costs):
    """The sounds as the grace notes that are written there, in any form of their movement."""
    named = forms_between(a, b).get(graces)
    best = None
    forms = [graces]
    if named is not None:
        for notes, form in forms_between(a, b).items():
            if form.movement.name == named.movement.name and form.left_out == 0:
                forms.append(notes)
    for form in forms:
        wanted = list(form)
        if wanted and wanted[0] == a and sounds[0] != a:
            wanted = wanted[1:]
        if wanted and wanted[-1] == b and sounds[-1] != b:
            wanted = wanted[:-1]
        cost, missing, notes = laid(a, b, tuple(wanted), sounds, costs, {}, len(sounds), len(wanted))
        # One note for another, where each is all there is, and it is no stray.
        is_other = len(wanted) == len(sounds) == 1 and not (may_stray(sounds[0], a, b) or sounds[0] == a)
        if (notes or is_other) and (best is None or cost < best.cost):
            best = Why("movement", cost, named.movement if named else None, notes, missing)
    return best


def laid(a, b, wanted, sounds, costs, known, count, written):
    """(cost, missing, places) of the cheapest way to lay the first `count` sounds against the first `written` notes."""
    if (count, written) in known:
        return known[count, written]
    ways = []
    if count:
        note, place = sounds[count - 1], count - 1
        left = sounds[place - 1] if place else a
        right = sounds[place + 1] if place + 1 < len(sounds) else b
        stray = may_stray(note, a, b) or note == a or may_stray(note, left, right)
        cost, missing, places = laid(a, b, wanted, sounds, costs, known, count - 1, written)
        ways.append((cost + (costs.inside if stray else costs.added), missing, places))
    if written:
        cost, missing, places = laid(a, b, wanted, sounds, costs, known, count, written - 1)
        ways.append((cost + costs.missing, missing + 1, places))
    if count and written and sounds[count - 1] == wanted[written - 1]:
        cost, missing, places = laid(a, b, wanted, sounds, costs, known, count - 1, written - 1)
        ways.append((cost, missing, (*places, count - 1)))
    known[count, written] = min(ways, key=lambda way: way[0]) if ways else (0, 0, ())
    return known[count, written]


def goes_on(music, position, note):
    """(position, cost, graces, written) of every place that a note leads to without a jump."""
    notes = music.notes
    out = []
    for missed in range(model.MOST_MISSED + 1):
        at = position + missed
        if at < len(notes) and notes[at].note == note:
            out.append((at + 1, model.MISSED * missed, notes[at].graces, True))
    if position < len(notes) and notes[position].note != note:
        out.append((position + 1, model.WRONG, (), True))
    if position == len(notes):
        if notes[0].note == note:
            out.append((1, model.AGAIN, notes[0].graces, True))
        sounds_already = len(notes) > 2 and notes[0].note == notes[-1].note and not notes[0].graces
        if sounds_already and notes[1].note == note:
            out.append((2, model.AGAIN, notes[1].graces, True))
    if position and notes[position - 1].note == note:
        out.append((position, model.CORRECTED, (), True))
    else:
        out.append((position, model.UNWRITTEN, (), False))
    return out


def jumps(music, position, note, after_pause):
    """The same for going back, and for going on to a later bar."""
    out = []
    for place, written in enumerate(music.notes, 1):
        bar = written.begins_bar or place == 1
        if written.note != note:
            continue
        if place <= position:
            cost = model.BACK_TO_BAR if bar else model.BACK
            if position - place >= model.NEAR and place > 1:
                cost += model.FAR
        elif bar and place > position + 1:
            cost = model.ON_TO_BAR
        else:
            continue
        if after_pause:
            cost = max(cost - model.AFTER_PAUSE, 0)
        out.append((place, cost, written.graces, True))
    return out


class PlainReader:
    """Reads a short performance, given as states (time, covered mask), against music or freely."""

    def __init__(self, states, end_us, settings, musics=()):
        self.settings, self.musics = settings, musics
        self.parts = parts_of(states, end_us)
        self.stretches = stretches_of(self.parts, settings)
        self.moves = lasting_moves(self.parts, settings)
        self.walks = {}
        self.melody, self.between = self._read()

    def music_of(self, at):
        """The number of the music that a stretch begins in, None where there is none."""
        start_us = self.stretches[at].start_us
        return next((n for n, m in enumerate(self.musics) if m.start_us <= start_us < m.end_us), None)

    def music(self, at):
        number = self.music_of(at)
        return None if number is None or not self.musics[number].notes else self.musics[number]

    def costs(self, at):
        return prices.FREE if self.music(at) is None else prices.WRITTEN

    def is_heard(self, at):
        return self.stretches[at].lasts_us >= self.settings.heard_us

    def breaks(self, at):
        one = self.stretches[at]
        most_us = prices.LONGEST_INNER_US if self.music(at) is None else prices.LONGEST_WRITTEN_INNER_US
        return one.note == OFF or one.lasts_us >= most_us

    def left_over(self, ats):
        cost = 0
        for at in ats:
            one = self.stretches[at]
            if self.is_heard(at) or one.note == OFF:
                cost += self.costs(at).extra
                # What is too long for a stray of the music is rather a wrong note.
                if one.note != OFF and self.music(at) is not None and one.lasts_us > prices.WRITTEN.stray_us:
                    cost += prices.WRITTEN.extra_long
        return cost

    def sounds_between(self, first, last):
        """What was heard in between; a note that something unheard interrupts sounds once."""
        out = []
        for at in range(last - 1, first, -1):
            if self.is_heard(at) and not (out and self.stretches[out[0]].note == self.stretches[at].note):
                out.insert(0, at)
        return tuple(out)

    def may_follow(self, first, last):
        """Whether two stretches can be neighbouring melody notes."""
        music = self.music(last)
        most = model.MOST_SOUNDS
        # Before the first note, and beside hands off, what sounds holds no note that was missed.
        at_border = first < 0 or OFF in (self.stretches[first].note, self.stretches[last].note)
        if music is not None and not at_border and not any(one.graces for one in music.notes):
            most = model.MOST_PLAIN_SOUNDS
        if any(self.breaks(at) for at in range(last - 1, first, -1)):
            return False
        inner = sum(map(self.is_heard, range(max(first, 0) + 1, last)))
        if inner > prices.MOST_INNER or len(self.sounds_between(first, last)) > most:
            return False
        for at in range(first + 1, last):
            free = music is None and last != len(self.stretches) - 1
            if free and 100 * self.stretches[at].lasts_us > prices.FREE.ratio * self.stretches[last].lasts_us:
                return False
        return True

    def own(self, at):
        """The price of a melody note by itself."""
        one, costs = self.stretches[at], self.costs(at)
        if one.note == OFF:
            return 0
        if one.lasts_us >= prices.BRIEF_US or at == len(self.stretches) - 1:
            return costs.melody
        return costs.melody - costs.brief * log_of(one.lasts_us, prices.BRIEF_US) // 1_000

    def shorter_us(self, first, last):
        lengths = [self.stretches[first].lasts_us]
        if last != len(self.stretches) - 1:
            lengths.append(self.stretches[last].lasts_us)
        return min(lengths)

    def priced(self, first, last, sounds):
        """(cost, explanation) of two neighbouring melody notes with sounds between them."""
        a, b = self.stretches[first], self.stretches[last]
        if OFF in (a.note, b.note):
            return self.coming_off(first, last), Why("direct", 0)
        costs, cost = self.costs(last), 0
        short_us, long_us = sorted((a.lasts_us, b.lasts_us))
        if costs.short and last != len(self.stretches) - 1 and short_us < OFF_STEP_US and 3 * short_us < long_us:
            cost = -costs.short * log_of(short_us, long_us, 3) // 1_000
        if not sounds:
            return cost, Why("direct", 0)
        notes = tuple(self.stretches[at].note for at in sounds)
        ways = [strays_in(a.note, b.note, notes, costs)]
        strays_all = all(self.may_be_stray(at, first, last) for at in sounds)
        # What lasts longer in known music is a note too many, and no embellishment that is not written.
        may_embellish = strays_all or self.music(last) is None
        if may_embellish and self.has_returned(a, b):
            ways.append(movement_in(a.note, b.note, notes, costs))
        best = None
        for why in sorted((way for way in ways if way is not None), key=lambda way: way.cost):
            whole = why.cost + self.lengths(why, first, last, sounds)
            if whole < NEVER and (best is None or whole < best[0]):
                best = whole, why
        if not costs.short or strays_all:
            extra = sum(costs.extra + (0 if self.may_be_stray(at, first, last) else costs.extra_long) for at in sounds)
            if best is None or extra < best[0]:
                best = extra, Why("extra", extra)
        return (NEVER, Why("direct", 0)) if best is None else (cost + best[0], best[1])

    def moves_between(self, a, b):
        """How many times fingers move from the end of one note's settled mask to the start of the other's."""
        return sum(a.leave_us <= at_us <= b.reach_us for at_us, _ in self.moves)

    def has_returned(self, a, b):
        """Whether some finger moves more often than the change from one note to the other asks."""
        return self.moves_between(a, b) > (a.mask ^ b.mask).bit_count()

    def may_be_stray(self, at, first, last):
        costs, shorter_us, us = self.costs(last), self.shorter_us(first, last), self.stretches[at].lasts_us
        if costs.short:
            return us < costs.stray_us and 100 * us <= costs.ratio * shorter_us
        return us <= costs.stray_us or 2 * us < shorter_us

    def has_bounced(self, at, first, last):
        """Whether one of the two notes sounds again in between for so long that no bounce is so long."""
        around = self.stretches[first].note, self.stretches[last].note
        return self.stretches[at].note in around and self.stretches[at].lasts_us >= prices.BRIEF_US

    def lengths(self, why, first, last, sounds, written=False):
        """The price of how long the sounds of an explanation are; what is written may be long on purpose."""
        costs, shorter_us, cost = self.costs(last), self.shorter_us(first, last), 0
        for place, at in enumerate(sounds):
            us = self.stretches[at].lasts_us
            if written and self.is_long_on_purpose(why.movement, at):
                continue
            is_note = place in why.notes
            bounced = self.has_bounced(at, first, last) and not written
            if not is_note and (bounced or not self.may_be_stray(at, first, last)):
                return NEVER
            if is_note or written:
                longest_us = prices.LONGEST_WRITTEN_INNER_US if written else prices.LONGEST_INNER_US
                if 100 * us > costs.ratio * shorter_us or us >= longest_us:
                    return NEVER
                cost += max(0, costs.long * (log_of(us, shorter_us, 3) + 100) // 1_000)
                cost += max(0, costs.slow * log_of(us, prices.SLOW_US) // 1_000)
        return cost

    def is_long_on_purpose(self, movement, at):
        """Whether a note of a movement is one that players hold at will, and no longer than they ever do."""
        one = self.stretches[at]
        roles = zip(movement.notes, movement.roles, strict=True) if movement else ()
        most_us = max((1_000 * role.learner[1] for note, role in roles if note == one.note), default=0)
        return prices.LONGEST_INNER_US < most_us >= one.lasts_us

    def coming_off(self, first, last):
        """The price of what sounds while the hands come off, or on."""
        inner, off = range(first + 1, last), self.stretches[last].note == OFF
        wrong = 0
        if inner:
            since_us, until_us = self.stretches[first + 1].start_us, self.stretches[last].start_us
            wrong = sum(closes == off for at_us, closes in self.moves if since_us < at_us <= until_us)
        border, cost = first if off else last, 0
        if self.music(border) is not None and border != len(self.stretches) - 1 and self.is_step(border):
            cost = OFF_BORDER
        for at in inner:
            is_step = self.is_step(at)
            if self.stretches[at].lasts_us >= OFF_STEP_US and (self.music(at) is None or not is_step):
                return NEVER
            if self.is_heard(at):
                cost += 1 if wrong == 0 and is_step else self.costs(at).extra
        return cost

    def is_step(self, at):
        """Whether a stretch may be a step of hands that come off or on."""
        one = self.stretches[at]
        if self.music(at) is not None:
            return max(end_us - start_us for start_us, end_us, _ in one.parts) < OFF_STILL_US
        is_standard = one.note != OFF and one.mask == STANDARD[one.note]
        return one.lasts_us < (OFF_NOTE_US if is_standard else OFF_STEP_US)

    def embellished(self, between, plain, graces):
        """(cost, what stands between) where grace notes are written."""
        costs = self.costs(between.last)
        around = self.stretches[between.first].note, self.stretches[between.last].note
        if graces in {around[:1], around[1:], around}:
            return plain, between  # no sound of its own: it sounds already, or what follows does
        cost, why = plain + min(len(graces), MOST_LEFT_OUT) * costs.missing, between.why
        if between.sounds:
            first, last, sounds = between.first, between.last, between.sounds
            a, b = self.stretches[first], self.stretches[last]
            notes = tuple(self.stretches[at].note for at in sounds)
            ways = []
            if all(self.may_be_stray(at, first, last) for at in sounds) and self.has_returned(a, b):
                other = movement_in(a.note, b.note, notes, costs)
                if other is not None:
                    ways.append((other.cost + costs.another + self.lengths(other, first, last, sounds), other))
            meant = written_in(a.note, b.note, graces, notes, costs)
            if meant is not None:
                ways.append((meant.cost + self.lengths(meant, first, last, sounds, written=True), meant))
            for way in ways:
                if way[0] < cost:
                    cost, why = way
        return cost, Between(between.first, between.last, between.sounds, why, graces)

    def walks_to(self, at):
        """The cheapest walk to a stretch as a melody note, for every position it may stand at."""
        if at in self.walks:
            return self.walks[at]
        self.walks[at] = {}
        if not self.is_heard(at) and self.stretches[at].note != OFF:
            return {}
        found = {}

        def add(place, cost, before, between):
            position, _, _, written = place
            if cost < NEVER and (position not in found or cost < found[position].cost):
                steps = before.steps if before else []
                gaps = before.between if before else []
                found[position] = Walk(
                    cost, [*steps, (at, position, written)], [*gaps, between] if between else list(gaps)
                )

        own, music, note = self.own(at), self.music(at), self.stretches[at].note
        back = None
        for first in range(at - 1, -1, -1):
            walks = self.walks_to(first)
            if not walks or not self.may_follow(first, at):
                continue
            sounds = self.sounds_between(first, at)
            plain, why = self.priced(first, at, sounds)
            if plain >= NEVER:
                continue
            between = Between(first, at, sounds, why)
            by_cost = sorted(walks.items(), key=lambda pair: (pair[1].cost, -pair[0]))
            cheapest = by_cost[0][1]
            from_off = self.stretches[first].note == OFF
            if music is None:
                add((0, 0, (), False), cheapest.cost + own + plain, cheapest, between)
                continue
            same = self.music_of(first) == self.music_of(at)
            if not same:
                for place in self.begins(at):
                    add(place, cheapest.cost + own + plain + place[1], cheapest, between)
            for position, so_far, walk in self.stands(first, at, by_cost):
                if note == OFF:
                    add((position, 0, (), False), so_far + own + plain, walk, between)
                    continue
                for place in goes_on(music, position, note):
                    self.add_place(add, place, walk, so_far + own, plain, between, from_off)
            if same and (back is None or cheapest.cost + plain < back[0]):
                back = cheapest.cost + plain, cheapest, plain, between, from_off
        if back is not None and note != OFF:
            _, walk, plain, between, from_off = back
            for place in jumps(music, walk.steps[-1][1], note, from_off):
                self.add_place(add, place, walk, walk.cost + own, plain, between, from_off)
        if self.may_follow(-1, at):
            for place in self.begins(at):
                add(place, own + self.left_over(range(at)) + place[1], None, None)
        self.walks[at] = self.likely(found) or self.taken_up(at)
        return self.walks[at]

    def taken_up(self, at):
        """The walk to a stretch that none leads to and none can pass by: on from the last melody note, if any."""
        first = next((one for one in range(at - 1, -1, -1) if self.walks_to(one)), -1)
        lost = range(first + 1, at)
        if not self.breaks(at) and sum(map(self.is_heard, lost)) <= prices.MOST_INNER:
            return {}
        position, more, _, written = min(self.begins(at), key=lambda place: (place[1], place[0]))
        cost = self.own(at) + self.left_over(lost) + more
        if first < 0:
            return {position: Walk(cost, [(at, position, written)], [])}
        walk = min(self.walks_to(first).items(), key=lambda pair: (pair[1].cost, -pair[0]))[1]
        sounds = self.sounds_between(first, at)
        price, why = self.priced(first, at, sounds)
        is_off = OFF in (self.stretches[first].note, self.stretches[at].note)
        between = Between(first, at, sounds, Why("extra", price) if price >= NEVER and not is_off else why)
        steps = [*walk.steps, (at, position, written)]
        return {position: Walk(walk.cost + cost, steps, [*walk.between, between])}

    def stands(self, first, at, by_cost):
        """(position, price, walk) of where the player stands, after a melody note, in the music of the next."""
        if self.music_of(first) == self.music_of(at):
            return [(position, walk.cost, walk) for position, walk in by_cost]
        music, other, one = self.music(at), self.music(first), self.stretches[first]
        if other is not None and other.notes == music.notes and other.asked != music.asked:
            return [(position, walk.cost, walk) for position, walk in by_cost]
        out = []
        if one.note != OFF and one.end_us >= music.start_us:
            for position, cost, _, written in goes_on(music, 0, one.note):
                if written:
                    out.append((position, by_cost[0][1].cost + cost, by_cost[0][1]))
        return out

    def add_place(self, add, place, walk, so_far, plain, between, from_off):
        cost = so_far + place[1]
        if place[2] and not from_off:
            more, why = self.embellished(between, plain, place[2])
            add(place, cost + more, walk, why)
        else:
            add(place, cost + plain, walk, between)

    def begins(self, at):
        """Where a first melody note may stand in its music."""
        music, note = self.music(at), self.stretches[at].note
        if music is None or note == OFF:
            return [(0, 0, (), False)]
        return [*goes_on(music, 0, note), *jumps(music, 0, note, False)]

    def likely(self, found):
        """The walks that are not given up: near the cheapest, and one with it a while ago."""
        if len(found) < 2:
            return found
        by_cost = sorted(found.items(), key=lambda pair: (pair[1].cost, -pair[0]))
        best = by_cost[0][1]
        return {
            position: walk
            for position, walk in by_cost[:MOST_WALKS]
            if walk.cost - best.cost < FAR_DEARER and self.lately(walk) == self.lately(best)
        }

    def lately(self, walk):
        """Where the walk stood at the beginning of the spell before the one it is in."""
        entered = [None, None]
        for (before, *_), (at, position, _) in pairwise(walk.steps):
            if before // SPELL != at // SPELL:
                entered.append((at, position))
        return entered[-2]

    def _read(self):
        count, inner = len(self.stretches), 0
        best = None
        for at in range(count - 1, -1, -1):
            for walk in self.walks_to(at).values():
                cost = walk.cost + self.left_over(range(at + 1, count))
                if best is None or cost < best[0]:
                    best = cost, walk
            inner += self.is_heard(at)
            if self.breaks(at) or inner > prices.MOST_INNER:
                break
        if best is None:
            return [], []
        walk = best[1]
        melody = [
            (at, self.music_of(at), position, written and self.music(at) is not None)
            for at, position, written in walk.steps
            if self.stretches[at].note != OFF
        ]
        between = [
            one for one in walk.between if OFF not in (self.stretches[one.first].note, self.stretches[one.last].note)
        ]
        for one in between:
            if self.is_unclear(one):
                one.doubt = "unclear"
        for one, after in pairwise(between):
            if one.last == after.first and self.costs(one.last).short:
                if self.merges_as_well(one, after):
                    one.doubt = after.doubt = "unclear"
                elif self.may_be_slow_stray(one, after):
                    one.doubt, after.doubt = one.doubt or "perhaps", after.doubt or "perhaps"
        return melody, between

    def is_unclear(self, one):
        """Whether a sound in it may almost as well be a melody note."""
        if not one.sounds or not self.costs(one.last).short:
            return False
        cost = self.priced(one.first, one.last, one.sounds)[0]
        for at in one.sounds:
            before, after = (tuple(s for s in one.sounds if s < at), tuple(s for s in one.sounds if s > at))
            parted = self.priced(one.first, at, before)[0] + self.own(at) + self.priced(at, one.last, after)[0]
            if parted - cost < prices.FREE.unclear:
                return True
        return False

    def merges_as_well(self, one, after):
        """Whether the melody note between two others may almost as well lie between them."""
        at = one.last
        if self.breaks(at) or len((*one.sounds, at, *after.sounds)) > prices.MOST_INNER:
            return False
        parted = self.priced(one.first, at, one.sounds)[0] + self.own(at)
        parted += self.priced(at, after.last, after.sounds)[0]
        merged = self.priced(one.first, after.last, (*one.sounds, at, *after.sounds))[0]
        return merged - parted < prices.FREE.unclear

    def may_be_slow_stray(self, one, after):
        """Whether the melody note between two others is so short beside them that it may be a stray."""
        note, last = self.stretches[one.last], len(self.stretches) - 1
        around = [self.stretches[at].lasts_us for at in (one.first, after.last) if at != last]
        return (
            note.lasts_us < PERHAPS_US
            and all(3 * note.lasts_us < us for us in around)
            and may_stray(note.note, self.stretches[one.first].note, self.stretches[after.last].note)
            and "movement" not in (one.why.kind, after.why.kind)
        )
