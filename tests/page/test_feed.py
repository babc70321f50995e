"""The stream of changes: what a page that joins again gets."""

from __future__ import annotations

import asyncio
import json
import threading

from torsionbeat.page.feed import SHORTEST_BETWEEN_S, Feed

TOPIC = frozenset({"live"})


def told(events):
    rows = [json.loads(event.data) for event in events]
    return [row.get("html", row.get("text")) for row in rows]


def test_who_joins_gets_the_newest_of_each_place_and_every_notice():
    feed = Feed()
    for text in ("1", "2", "3"):
        feed.show("live", "say", text)
        feed.notice("live", f"notice {text}")
    assert told(feed.since("", TOPIC)) == ["notice 1", "notice 2", "3", "notice 3"]


def test_who_joins_again_misses_nothing_and_gets_nothing_twice():
    feed = Feed()
    feed.show("live", "say", "a")
    seen = feed.last_id
    assert feed.since(seen, TOPIC) == []
    feed.show("live", "say", "b")
    feed.show("live", "level", "c")
    assert told(feed.since(seen, TOPIC)) == ["b", "c"]


def test_what_stands_there_already_is_not_sent():
    feed = Feed()
    feed.show("live", "say", "a")
    seen = feed.last_id
    feed.show("live", "say", "a")
    assert feed.since(seen, TOPIC) == []


def test_topics_that_were_not_asked_for_are_not_sent_and_forgotten_ones_are_gone():
    feed = Feed()
    feed.show("other", "x", "a")
    feed.show("live", "y", "b")
    assert told(feed.since("", TOPIC)) == ["b"]
    feed.forget("live")
    assert feed.since("", TOPIC) == []


def test_a_number_of_another_start_or_of_nobody_gets_all():
    feed = Feed()
    feed.show("live", "say", "a")
    for last in ("0000-99999", "", "x", "-", feed.last_id.replace("-1", "-x"), feed.last_id + "9" * 30):
        assert told(feed.since(last, TOPIC)) == ["a"], last


def test_a_stream_sends_what_comes_from_other_threads_and_ends_when_it_is_closed():
    feed = Feed()
    feed.show("live", "say", "first")

    async def listen():
        got = []
        async for text in feed.stream("", TOPIC):
            got.append(text)
            if "first" in text:
                threading.Thread(target=feed.show, args=("live", "say", "second")).start()
            if "second" in text:
                feed.close()
        return got

    got = asyncio.run(asyncio.wait_for(listen(), 10))
    assert "event: show" in got[1]
    assert "second" in got[2]
    assert feed.streams == 0


def test_a_hundred_changes_at_once_are_one_message():
    feed = Feed()

    async def listen():
        got = []
        for number in range(100):
            feed.show("live", "say", str(number))
        async for text in feed.stream("", TOPIC):
            got.append(text)
            if '"99"' in text:
                feed.close()
        return got

    assert len(asyncio.run(asyncio.wait_for(listen(), 10))) == 2
    assert SHORTEST_BETWEEN_S >= 0.2  # five updates a second are asked for
