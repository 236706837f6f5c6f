"""What is offered to play on: chanters that answer first, and no port that is nothing."""

from __future__ import annotations

import pytest

from fingerlead.listening.sources import Met
from fingerlead.ports.base import Found
from fingerlead.practice.offers import ASK_AGAIN_US, Offers
from fingerlead.wire.messages import Hello
from tests.waiting import wait_for

THERE = [
    Found("/dev/ttyS0", ""), Found("/dev/ttyUSB0", "a cable"), Found("/dev/ttyACM0", "a board"),
    Found("/dev/ttyAMA0", ""), Found("midi:keys", "keys"),
]  # fmt: skip


class Asked:
    def __init__(self) -> None:
        self.now_us, self.there, self.asked = 0, list(THERE), []
        self.answers = {"/dev/ttyACM0": Met("chanter", "Bramble"), "midi:keys": Met("notes", "plays notes")}

    def meet(self, spec: str) -> Met:
        self.asked.append(spec)
        return self.answers.get(spec, Met("silent", "silent"))

    def offers(self, *named: str) -> Offers:
        return Offers(lambda: self.there, named, self.meet, lambda: self.now_us)


def specs(offers: Offers) -> list[str]:
    return [found.spec for found in offers()]


def settled(offers: Offers, asked: Asked, count: int) -> list[str]:
    offers()
    wait_for(lambda: len(asked.asked) >= count, "every port to be asked")
    wait_for(lambda: len(offers._met) >= len({*asked.asked}), "their answers")
    return specs(offers)


def test_what_answers_comes_first_and_what_is_nothing_is_not_offered():
    asked = Asked()
    with asked.offers() as offers:
        assert specs(offers) == []  # nothing is known yet, and nothing is waited for
        assert settled(offers, asked, 5) == ["/dev/ttyACM0", "midi:keys", "/dev/ttyUSB0"]
        for _ in range(5):
            specs(offers)
        assert len(asked.asked) == 5  # each once
        # One of which the system says nothing is asked again, and offered once a chanter is there.
        asked.answers["/dev/ttyAMA0"] = Met("chanter", "Thistle")
        asked.now_us += ASK_AGAIN_US
        specs(offers)
        wait_for(lambda: "/dev/ttyAMA0" in specs(offers), "the chanter at the plain port")
        assert sorted(asked.asked[5:]) == ["/dev/ttyAMA0", "/dev/ttyS0"]
        # What is gone is forgotten, and asked anew when it is back.
        asked.there = [found for found in THERE if found.spec != "/dev/ttyACM0"]
        assert "/dev/ttyACM0" not in specs(offers)
        asked.there = THERE
        specs(offers)
        wait_for(lambda: asked.asked.count("/dev/ttyACM0") == 2, "the board again")


def test_a_port_that_is_named_is_offered_at_once_and_never_asked():
    asked = Asked()
    with asked.offers("/dev/ttyS0") as offers:
        assert specs(offers) == ["/dev/ttyS0"]
        assert settled(offers, asked, 4)[0] == "/dev/ttyS0"
        assert "/dev/ttyS0" not in asked.asked


@pytest.mark.parametrize("name", ["Bramble", "  ", ""])
def test_a_chanter_is_offered_by_its_name(name):
    asked = Asked()
    asked.answers["/dev/ttyACM0"] = Met("chanter", "someone", Hello(name=name))
    with asked.offers() as offers:
        settled(offers, asked, 5)
        assert offers()[0].description == (name.strip() or "a board")
