from __future__ import annotations

from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fingerlead.simulated.scenario import BUILT_IN
from fingerlead.timing.mended import diagnose_change
from fingerlead.timing.progress import Fault, Tally, cause_of, tally, together
from fingerlead.timing.results import UNPLAIN
from fingerlead.timing.summary import summarise
from tests.faces.playing import random_playing, session


def expected(analyses):
    """The same counts, from the objects that people are shown."""
    return {
        key: (of.count, of.apart, tuple(of.beside[one] for one in UNPLAIN), len(of.astray), of.heard_us)
        for key, of in summarise(analyses).by_change.items()
    }


def counts(tallies):
    return {(t.from_note, t.to_note): (t.plain, t.apart, t.beside, t.astray, t.heard_us) for t in tallies}


@pytest.mark.parametrize("name", BUILT_IN)
def test_counts_are_those_of_the_summary(name):
    analysis = session(name, seed=5, changes=120)
    assert counts(tally(analysis)) == expected([analysis])


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 80), st.integers(0, 999)), min_size=1, max_size=4))
def test_tallies_put_together_are_the_tallies_of_all(sessions):
    analyses = [random_playing(changes, seed) for changes, seed in sessions]
    joined = together(each for analysis in analyses for each in tally(analysis))
    assert counts(joined.values()) == expected(analyses)
    assert all((each.from_note, each.to_note) == key for key, each in joined.items())


def test_faults_are_those_that_are_diagnosed_in_the_changes_astray():
    analysis = random_playing(300, seed=3)
    for each in tally(analysis):
        of = summarise([analysis]).by_change[each.from_note, each.to_note]
        found = [one for change in of.astray if (one := diagnose_change(change)) is not None]
        assert sum(fault.times for fault in each.faults) == len(found)
        for fault in each.faults:
            same = [one.apart_us for one in found if cause_of(one) == fault.cause]
            assert (len(same), round(median(same))) == (fault.times, fault.apart_us)
        assert [fault.heard_us for fault in each.faults] == sorted((f.heard_us for f in each.faults), reverse=True)


def test_one_fault_in_two_sessions_is_one_fault():
    turn = (7, True, 6, 7)
    one = Tally(0, 2, plain=4, strays_us=(20_000,), faults=(Fault(turn, 1, 20_000, 18_000),))
    two = Tally(0, 2, plain=5, strays_us=(30_000, 40_000), faults=(Fault(turn, 2, 70_000, 30_000),))
    assert together([one, two]) == {
        (0, 2): Tally(0, 2, plain=9, strays_us=(20_000, 30_000, 40_000), faults=(Fault(turn, 3, 90_000, 30_000),))
    }


def test_nothing_played_gives_no_tallies():
    assert tally(random_playing(0)) == []
