"""The hub: whatever a page misses, in the end it knows what the others know; and it can never hold anything up."""

from __future__ import annotations

import json
import threading
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from fingerlead.faces.pages.kit.hub import CHANGES, NOTICES, WAITING, Hub, Subscriber

STATE = ("chanter", "rung", "lit", "progress", "sound")
NOTHING = object()


class Page:
    """What a page makes of its messages, as the page itself does."""

    def __init__(self, hub: Hub) -> None:
        self.wakes = 0
        self.known: dict[str, Any] = {}
        self.changes: list[int] = []
        self.subscriber: Subscriber = hub.join(self.wake)

    def wake(self) -> None:
        self.wakes += 1

    def read(self) -> list[str]:
        texts = self.subscriber.take()
        holes = self.subscriber.take_holes()
        for text in [*texts, *([holes] if holes else [])]:
            message = json.loads(text)
            kind = message.pop("kind")
            if kind == "all":
                self.changes = [change["number"] for change in message.pop("changes")]
                self.known = {name: part for name, part in message.items() if part != {"kind": name}}
            elif kind == "change":
                if message["number"] not in self.changes:
                    self.changes = [*self.changes, message["number"]][-CHANGES:]
            else:
                self.known[kind] = {"kind": kind, **message}
        return texts


actions = st.lists(
    st.one_of(
        st.tuples(st.just("publish"), st.sampled_from((*STATE, "holes")), st.integers(0, 9)),
        st.tuples(st.just("change"), st.integers(0, 20)),
        st.tuples(st.just("many"), st.integers(1, WAITING * 2)),
        st.tuples(st.just("remember"), st.integers(0, 9)),
        st.tuples(st.just("read"), st.integers(0, 2)),
        st.tuples(st.just("again"), st.integers(0, 2)),
    ),
    max_size=40,
)


@given(actions)
def test_every_page_ends_up_knowing_the_same_however_seldom_it_reads(steps):
    hub = Hub()
    pages = [Page(hub) for _ in range(3)]
    newest: dict[str, Any] = {}
    changes: list[int] = []
    for step in steps:
        match step:
            case ("publish", kind, value):
                newest[kind] = {"kind": kind, "value": value}
                hub.publish(newest[kind])
            case ("change", number):
                if number not in changes:
                    changes = [*changes, number][-CHANGES:]
                hub.publish({"kind": "change", "number": number})
            case ("many", count):
                for value in range(count):
                    newest["lit"] = {"kind": "lit", "value": value}
                    hub.publish(newest["lit"])
            case ("remember", value):
                newest["due"] = value
                hub.remember(due=value)
            case ("read", place):
                pages[place].read()
            case ("again", place):
                pages[place].subscriber.fall_behind()
    for page in pages:
        page.read()
        assert page.known == newest
        assert page.changes == changes
        assert page.read() == []


@given(st.integers(0, WAITING * 3))
def test_what_waits_for_a_stalled_page_is_bounded(count):
    hub = Hub()
    page = Page(hub)
    page.read()
    for value in range(count):
        hub.publish({"kind": "lit", "value": value})
        hub.publish({"kind": "holes", "value": value})
    texts = page.read()
    assert len(texts) <= WAITING
    assert page.known == (
        {"lit": {"kind": "lit", "value": count - 1}, "holes": {"kind": "holes", "value": count - 1}} if count else {}
    )
    # Nothing that still fits is thrown away for a snapshot.
    assert len(texts) == (count if count <= WAITING else 1)


def test_of_the_holes_only_the_newest_waits():
    hub = Hub()
    page = Page(hub)
    page.read()
    for mask in range(256):
        hub.publish({"kind": "holes", "covered_mask": mask})
    assert page.subscriber.holes_wait
    assert json.loads(page.subscriber.take_holes() or "")["covered_mask"] == 255
    assert not page.subscriber.holes_wait
    assert page.subscriber.take_holes() is None


def test_a_notice_is_for_the_pages_that_are_there_and_no_part_of_a_snapshot():
    hub = Hub()
    early = Page(hub)
    early.read()
    hub.publish({"kind": "say", "sentence": "here"})
    late = Page(hub)
    assert [json.loads(text)["kind"] for text in early.read()] == ["say"]
    assert "say" not in json.loads(late.read()[0])


def test_a_notice_reaches_a_page_that_fell_behind_after_the_snapshot():
    hub = Hub()
    page = Page(hub)
    page.read()
    hub.remember(due=[])
    hub.publish({"kind": "say", "sentence": "while it was behind"})
    for value in range(2 * WAITING):
        hub.publish({"kind": "lit", "value": value})
    hub.publish({"kind": "remind", "sentence": "later"})
    assert [json.loads(text)["kind"] for text in page.read()] == ["all", "say", "remind"]
    for value in range(3 * NOTICES):
        hub.publish({"kind": "say", "sentence": str(value)})
    told = [json.loads(text)["sentence"] for text in page.read()]
    assert told == [str(value) for value in range(2 * NOTICES, 3 * NOTICES)]


def test_a_change_published_again_replaces_the_first():
    hub = Hub()
    for number, verdict in ((1, "clean"), (2, "clean"), (1, "stray")):
        hub.publish({"kind": "change", "number": number, "verdict": verdict})
    changes = json.loads(Page(hub).read()[0])["changes"]
    assert [(change["number"], change["verdict"]) for change in changes] == [(1, "stray"), (2, "clean")]


def test_a_change_that_is_gone_leaves_the_last_changes():
    hub = Hub()
    for number, gone in ((1, False), (2, False), (1, True), (3, True)):
        hub.publish({"kind": "change", "number": number, "gone": gone})
    assert [change["number"] for change in json.loads(Page(hub).read()[0])["changes"]] == [2]


def test_a_page_that_has_left_is_woken_no_more():
    hub = Hub()
    page = Page(hub)
    page.read()
    hub.leave(page.subscriber)
    before = page.wakes
    hub.publish({"kind": "lit"})
    assert page.wakes == before
    assert page.subscriber.take() == []


def test_a_page_that_reads_while_another_thread_publishes_misses_and_doubles_nothing():
    hub = Hub()
    page = Page(hub)
    count = 3_000

    def publish() -> None:
        for number in range(count):
            hub.publish({"kind": "change", "number": number})

    told: list[int] = []
    publisher = threading.Thread(target=publish)
    publisher.start()
    while publisher.is_alive() or not told or told[-1] != count - 1:
        for text in page.subscriber.take():
            message = json.loads(text)
            if message["kind"] == "change":
                # Right after what was told last, a snapshot in between included.
                assert message["number"] == (told[-1] + 1 if told else message["number"])
                told.append(message["number"])
            elif message["changes"]:
                assert not told or message["changes"][-1]["number"] >= told[-1]
                told.append(message["changes"][-1]["number"])
    publisher.join()
