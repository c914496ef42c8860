"""Topics and filters against the examples of MQTT 5.0 section 4.7."""

import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError
from ullage.adapters.mqtt_topics import KEPT_TOPICS, TopicTable, check_filter, covers, matches
from ullage.adapters.reading import Quantity


def falls_under(topic_filter: str, topic: str) -> bool:
    return matches(topic_filter.split("/"), topic.split("/"))


def channel(topic: str, vessel: str = "north") -> Channel:
    return Channel(vessel=vessel, quantity=Quantity.TEMPERATURE, unit="Cel", topic=topic)


@pytest.mark.parametrize(
    ("topic_filter", "topic", "hit"),
    [
        # section 4.7.1.2
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        # section 4.7.1.3
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        # section 4.7.2
        ("#", "$SYS/monitor", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor", True),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
        # section 4.7.3: case counts, slashes count
        ("ACCOUNTS", "Accounts", False),
        ("/finance", "finance", False),
    ],
)
def test_wildcards_match_as_the_standard_says(topic_filter: str, topic: str, hit: bool) -> None:
    """The standard's own examples."""
    assert falls_under(topic_filter, topic) is hit


LEVELS = st.lists(st.sampled_from(["a", "b", ""]), min_size=1, max_size=4).map("/".join).filter(bool)
FILTERS = st.builds(
    lambda levels, tail: "/".join([*levels, *tail]),
    st.lists(st.sampled_from(["a", "b", "+", ""]), min_size=1, max_size=3),
    st.sampled_from([[], ["#"]]),
).filter(bool)


@given(FILTERS, LEVELS)
def test_matching_agrees_with_the_client_library(topic_filter: str, topic: str) -> None:
    """paho's own matcher gives the same answers."""
    assert falls_under(topic_filter, topic) == paho.topic_matches_sub(topic_filter, topic)


@given(FILTERS, FILTERS, LEVELS)
def test_a_covering_filter_matches_whatever_the_other_does(wide: str, narrow: str, topic: str) -> None:
    """That is what covering means."""
    if covers(wide, narrow) and falls_under(narrow, topic):
        assert falls_under(wide, topic)


@pytest.mark.parametrize("topic_filter", ["", "a/#/b", "a#", "a/b+", "+a", "a\0b", "x" * 70_000])
def test_what_is_no_filter_is_refused(topic_filter: str) -> None:
    """A wrong filter is a mistake of the config and said at the start."""
    assert check_filter(topic_filter)
    with pytest.raises(ConfigError, match="north temperature"):
        TopicTable("cellar", (channel(topic_filter),))


def test_overlapping_filters_are_subscribed_once() -> None:
    """A broker may send a message once per overlapping subscription, which would make two readings of it."""
    topics = [
        "cellar/#",
        "cellar/north",
        "cellar/+/t",
        "attic/+",
        "attic/south",
        "attic/south",
        "$share/g/attic/+",
    ]
    table = TopicTable("s", tuple(channel(topic) for topic in topics))
    assert table.subscriptions() == ("cellar/#", "attic/+", "$share/g/attic/+")


def test_a_topic_finds_every_channel_that_reads_it() -> None:
    """Exact and wildcard channels of one topic both get their reading; a topic of nobody gets none."""
    table = TopicTable("s", (channel("a/b", "one"), channel("a/+", "two"), channel("$share/g/a/#", "three")))
    decoder = table.decoder("a/b")
    assert decoder is not None
    assert [reading.vessel for reading in decoder.decode(b"18", "a/b", 0.0).readings] == [
        "one",
        "two",
        "three",
    ]
    assert table.decoder("c") is None
    assert table.decoder("a/b") is decoder


def test_a_flood_on_one_topic_moves_no_stamp_of_another_under_the_same_filter() -> None:
    """Arrivals of one topic are told apart by a millisecond each; whoever floods can't put others' readings ahead so."""
    table = TopicTable("s", (channel("a/#"),))
    loud, quiet = table.decoder("a/loud"), table.decoder("a/quiet")
    assert loud is not None
    assert quiet is not None
    loud_s = [loud.decode(b"18", "a/loud", 1000.0).readings[0].time_s for _ in range(500)]
    assert loud_s[-1] == pytest.approx(1000.499)
    assert quiet.decode(b"18", "a/quiet", 1000.0).readings[0].time_s == 1000.0


def test_a_flood_of_topics_is_not_remembered_for_ever() -> None:
    """The memory of topics seen has a bound."""
    table = TopicTable("s", (channel("a/#"),))
    for number in range(3 * KEPT_TOPICS):
        table.decoder(f"a/{number}")
    assert len(table._decoders) <= KEPT_TOPICS
