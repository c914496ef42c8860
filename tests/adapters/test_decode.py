"""Payloads to readings: every format, every refusal, and nothing that crashes a decoder."""

import json
import math
import time
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.channel import Channel, Reference
from ullage.adapters.decode import Decoded, Decoder
from ullage.adapters.errors import ConfigError
from ullage.adapters.own_time import OLDEST_S
from ullage.adapters.reading import Quantity, Reading, Reason

NOW_S = 1_772_346_600.0
BEER = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel")
TOP = Channel(vessel="north", quantity=Quantity.PRESSURE, unit="mbar")
NOTE = Channel(vessel="north", quantity=Quantity.JOURNAL, unit="")


def decoded(
    payload: bytes | str, *channels: Channel, retained: bool = False, now_s: float = NOW_S
) -> Decoded:
    content = payload.encode() if isinstance(payload, str) else payload
    return Decoder("cellar", channels).decode(content, "cellar/north", now_s, retained=retained)


def value(payload: bytes | str, *channels: Channel) -> float:
    (reading,), refusals = decoded(payload, *channels)
    assert refusals == ()
    return reading.value


def refused(payload: bytes | str, *channels: Channel, retained: bool = False) -> tuple[Reason, str]:
    readings, (refusal,) = decoded(payload, *channels, retained=retained)
    assert readings == ()
    assert refusal.where == "cellar/north"
    return refusal.reason, refusal.detail


@pytest.mark.parametrize(
    ("payload", "number"),
    [
        ("18.4", 18.4),
        (" 18.4\r\n", 18.4),
        ("-0.5", -0.5),
        ("+3", 3.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("1.84e1", 18.4),
    ],
)
def test_bare_number(payload: str, number: float) -> None:
    """A number alone is the value, with white space around it or without."""
    assert value(payload, BEER) == number


@pytest.mark.parametrize(
    "payload",
    [
        "",
        " ",
        "nan",
        "NaN",
        "inf",
        "-Infinity",
        "1e999",
        "1_000",
        "0x12",
        "18.4 C",
        "18,4",
        "١٨",
        "--5",
        "true",
        "1 2",
    ],
)
def test_what_is_no_number_is_refused(payload: str) -> None:
    """Nothing that is not plainly a finite number becomes one."""
    reason, detail = refused(payload, BEER)
    assert reason is Reason.NOT_A_NUMBER
    assert detail.startswith("north temperature: ")


def test_a_decimal_comma_is_explained() -> None:
    """The commonest slip is named."""
    assert "decimal point, not a comma" in refused("18,4", BEER)[1]


def test_units_scale_and_offset() -> None:
    """canonical = unit(raw · scale + offset), absolute pressure less the air."""
    assert value("65", replace(BEER, unit="[degF]", offset=1.2)) == pytest.approx(19.0)
    assert value("2500", replace(TOP, scale=0.5)) == 1.25
    assert value("2513.25", replace(TOP, reference=Reference.ABSOLUTE)) == pytest.approx(1.5)


def test_json_by_pointer_for_several_channels() -> None:
    """One payload serves all channels of its topic; a number in quotes counts."""
    payload = '{"beer": 18.4, "top": "1211"}'
    readings, refusals = decoded(payload, replace(BEER, pointer="/beer"), replace(TOP, pointer="/top"))
    assert readings == (
        Reading("north", Quantity.TEMPERATURE, NOW_S, 18.4),
        Reading("north", Quantity.PRESSURE, NOW_S, 1.211),
    )
    assert refusals == ()


def test_one_bad_field_does_not_cost_the_others() -> None:
    """What can be used is used, the rest is refused by name."""
    payload = '{"beer": null, "top": 1211}'
    readings, refusals = decoded(payload, replace(BEER, pointer="/beer"), replace(TOP, pointer="/top"))
    assert [reading.quantity for reading in readings] == [Quantity.PRESSURE]
    assert [(refusal.reason, refusal.detail) for refusal in refusals] == [
        (Reason.NOT_A_NUMBER, "north temperature: 'null' is not a number")
    ]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("{", Reason.UNDECODABLE),
        ('{"beer": 1} x', Reason.UNDECODABLE),
        (b'{"beer": "\xff"}', Reason.UNDECODABLE),
        ('{"beer": NaN}', Reason.NOT_A_NUMBER),
        ('{"beer": -Infinity}', Reason.NOT_A_NUMBER),
        ('{"beer": 1e999}', Reason.NOT_A_NUMBER),
        ('{"beer": 1, "beer": 2}', Reason.UNDECODABLE),
        ('{"x": {"a": 1, "a": 2}, "beer": 1}', Reason.UNDECODABLE),
        ('{"beer": ' + "9" * 5000 + "}", Reason.UNDECODABLE),
        ('{"beer": ' + "9" * 400 + "}", Reason.NOT_A_NUMBER),
        ("[" * 10_000, Reason.UNDECODABLE),
        ('{"beer":' + "[" * 8 + "]" * 8 + "}", Reason.UNDECODABLE),
        ('{"beer": true}', Reason.NOT_A_NUMBER),
        ('{"beer": {"c": 18}}', Reason.NOT_A_NUMBER),
        ('{"beer": "eighteen"}', Reason.NOT_A_NUMBER),
        ('{"bear": 18}', Reason.NO_SUCH_FIELD),
        ("18.4", Reason.NO_SUCH_FIELD),
        ('{"beer": 18, "pad": "' + "x" * 17_000 + '"}', Reason.TOO_LONG),
    ],
)
def test_json_that_python_would_take_or_die_of(payload: bytes | str, reason: Reason) -> None:
    """The standard reader's leniences and its ways to fail all end as refusals."""
    assert refused(payload, replace(BEER, pointer="/beer"))[0] is reason


def test_brackets_in_text_are_no_depth() -> None:
    """Depth is counted by structure, whatever strings hold."""
    payload = json.dumps({"note": '[[[[{{{{\\"[[', "beer": 18.4})
    assert value(payload, replace(BEER, pointer="/beer")) == 18.4
    assert value('{"a":[[[[[[[18.4]]]]]]]}', replace(BEER, pointer="/a/0/0/0/0/0/0/0")) == 18.4


def test_a_byte_order_mark_is_dropped() -> None:
    """Some devices begin UTF-8 with one."""
    assert value(b"\xef\xbb\xbf" + b'{"beer": 18.4}', replace(BEER, pointer="/beer")) == 18.4


@pytest.mark.parametrize(
    ("own", "time_s"),
    [
        ('"2026-03-01T06:29:30Z"', NOW_S - 30),
        ('"2026-03-01t07:29:30.5+01:00"', NOW_S - 29.5),
        (str(NOW_S - 1.25), NOW_S - 1.25),
        (str(int(NOW_S) + 60), NOW_S + 60),
        (str(NOW_S - OLDEST_S), NOW_S - OLDEST_S),
    ],
)
@pytest.mark.parametrize("retained", [False, True])
def test_the_payloads_own_time_counts(own: str, time_s: float, retained: bool) -> None:
    """RFC 3339 or Unix seconds, for retained messages too."""
    channel = replace(BEER, pointer="/v", time_pointer="/t")
    (reading,), _ = decoded(f'{{"v": 18.4, "t": {own}}}', channel, retained=retained)
    assert reading.time_s == pytest.approx(time_s)


@pytest.mark.parametrize(
    ("own", "says"),
    [
        (str(NOW_S + 61), "61 s ahead"),
        (str(NOW_S - OLDEST_S - 86_400), "31 days old"),
        ("1772346600000", "not milliseconds"),
        ("1e999", "can't be Unix seconds"),
        ('"2026-03-01T06:30:00"', "RFC 3339"),
        ('"yesterday"', "RFC 3339"),
        ("null", "null is neither"),
        ("true", "true is neither"),
    ],
)
def test_an_impossible_own_time_is_refused(own: str, says: str) -> None:
    """No offset, too far ahead, too old, not a time: refused by the stated rule."""
    reason, detail = refused(f'{{"v": 18.4, "t": {own}}}', replace(BEER, pointer="/v", time_pointer="/t"))
    assert reason is Reason.BAD_TIME
    assert says in detail


def test_a_clock_not_yet_set_refuses_no_time() -> None:
    """A machine without clock chip starts in 1970: then the sensor's time is the better one."""
    channel = replace(BEER, pointer="/v", time_pointer="/t")
    (reading,), _ = decoded(f'{{"v": 18.4, "t": {NOW_S}}}', channel, now_s=1000.0)
    assert reading.time_s == NOW_S


@pytest.mark.parametrize(
    ("payload", "channel"),
    [
        ("18.4", BEER),
        ('{"v": 18.4}', replace(BEER, pointer="/v")),
        ("v=18.4", replace(BEER, key="v")),
        ("18.4,1", replace(BEER, column=1)),
        ('[{"n":"v","v":18.4}]', replace(BEER, senml_name="v")),
        ('[{"n":"v","v":18.4,"t":-5}]', replace(BEER, senml_name="v")),
    ],
)
def test_retained_without_own_time_is_old_news(payload: str, channel: Channel) -> None:
    """What the broker had kept has no arrival time and must not look fresh."""
    assert refused(payload, channel, retained=True)[0] is Reason.OLD_NEWS


def test_senml_brings_unit_and_time() -> None:
    """The pack's unit beats the declared one; each record of the name is a reading."""
    pack = [
        {"bn": "cellar:", "bt": NOW_S - 10, "n": "beer", "u": "K", "v": 291.15},
        {"n": "beer", "u": "Cel", "t": 5, "v": 18.5},
        {"n": "beer", "t": 9, "v": 18.6},
        {"n": "air", "v": 4},
    ]
    readings, refusals = decoded(json.dumps(pack), replace(BEER, senml_name="cellar:beer"), retained=True)
    assert [(reading.time_s, round(reading.value, 9)) for reading in readings] == [
        (NOW_S - 10, 18.0), (NOW_S - 5, 18.5), (NOW_S - 1, 18.6),
    ]  # fmt: skip
    assert refusals == ()


@pytest.mark.parametrize("update_time_s", [0, 60, 1e9, -5])
def test_senml_s_update_time_changes_no_reading(update_time_s: float) -> None:
    """RFC 8428 section 4.2 lets a receiver tell a failed sensor by it; here silence is told by the sensor's pace alone."""
    channel, plain = replace(BEER, senml_name="a"), {"n": "a", "v": 18.4, "t": -5}
    assert decoded(json.dumps([{**plain, "ut": update_time_s}]), channel) == decoded(
        json.dumps([plain]), channel
    )


def test_senml_refusals_name_their_reason() -> None:
    """A wrong dimension, a missing name, a text value and a broken pack are told apart."""
    channel = replace(BEER, senml_name="a")
    assert refused('[{"n":"a","u":"bar","v":1}]', channel)[0] is Reason.UNKNOWN_UNIT
    assert refused('[{"n":"b","v":1}]', channel)[0] is Reason.NO_SUCH_FIELD
    assert refused('[{"n":"a","vs":"warm"}]', channel)[0] is Reason.NOT_A_NUMBER
    assert refused('[{"n":"a","vb":true}]', channel)[0] is Reason.NOT_A_NUMBER
    assert refused('[{"n":"a","v":1,"vs":"x"}]', channel)[0] is Reason.UNDECODABLE


@pytest.mark.parametrize(
    "payload", ["beer=18.4 top=1211", "beer=18.4,top=1211", " top = 1211 ; beer = 18.4 ok\r"]
)
def test_key_value_pairs(payload: str) -> None:
    """Pairs come apart at blanks, commas and semicolons, with blanks around the = or without."""
    readings, _ = decoded(payload, replace(BEER, key="beer"), replace(TOP, key="top"))
    assert [reading.value for reading in readings] == [18.4, 1.211]


def test_key_value_refusals() -> None:
    """No pair, a missing key and a key that stands twice are refused."""
    channel = replace(BEER, key="beer")
    assert refused("18.4", channel)[0] is Reason.UNDECODABLE
    assert refused("bear=18.4", channel)[0] is Reason.NO_SUCH_FIELD
    assert refused("beer=18.4 beer=19", channel)[0] is Reason.UNDECODABLE
    assert refused("beer=", channel)[0] is Reason.NOT_A_NUMBER


@pytest.mark.parametrize(
    "payload", ["x,18.4,1211", "x;18.4;1211", "x\t18.4\t1211", "x 18.4   1211", "x, 18.4 ,1211\r\n"]
)
def test_delimited_columns(payload: str) -> None:
    """The delimiter is found; columns are counted from 1."""
    readings, _ = decoded(payload, replace(BEER, column=2), replace(TOP, column=3))
    assert [reading.value for reading in readings] == [18.4, 1.211]


def test_column_refusals_and_a_declared_delimiter() -> None:
    """A short line and an empty field are refused; a declared delimiter is used."""
    assert refused("18.4", replace(BEER, column=2))[0] is Reason.NO_SUCH_FIELD
    assert refused("18.4,,1", replace(BEER, column=2))[0] is Reason.NOT_A_NUMBER
    decoder = Decoder("bench", (replace(BEER, column=2),), delimiter="|")
    assert decoder.decode(b"a,b|18.4", "port", NOW_S).readings[0].value == 18.4


def test_journal_entries() -> None:
    """A journal's payload is the entry's text, bare or by pointer."""
    for payload, channel in (
        ("valve set 1.5\n", NOTE),
        ('{"entry": "valve set 1.5"}', replace(NOTE, pointer="/entry")),
    ):
        (reading,), _ = decoded(payload, channel)
        assert (reading.quantity, reading.text, reading.value) == (Quantity.JOURNAL, "valve set 1.5", 0.0)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("", Reason.UNDECODABLE),
        (b"\xff", Reason.UNDECODABLE),
        ("two\nlines", Reason.UNDECODABLE),
        ("\x1b[31mred", Reason.UNDECODABLE),
        ("x" * 201, Reason.TOO_LONG),
    ],
)
def test_journal_text_must_be_one_short_line(payload: bytes | str, reason: Reason) -> None:
    """What would spoil a terminal or a page is refused."""
    assert refused(payload, NOTE)[0] is reason
    if isinstance(payload, str):
        assert refused(json.dumps(payload), replace(NOTE, pointer=""))[0] is reason


def test_half_a_surrogate_is_no_journal_text() -> None:
    """JSON can write what UTF-8 can't store."""
    assert refused('"\\ud800"', replace(NOTE, pointer=""))[0] is Reason.UNDECODABLE


@pytest.mark.parametrize(
    ("channel", "says"),
    [
        (replace(BEER, unit="C"), "'Cel'"),
        (replace(BEER, unit=""), "Cel"),
        (replace(BEER, pointer="beer"), "write /beer"),
        (replace(BEER, pointer="/a", key="b"), "pointer and key"),
        (replace(BEER, time_pointer="/t"), "time_pointer without pointer"),
        (replace(BEER, column=0), "counted from 1"),
        (replace(BEER, scale=0), "scale 0"),
        (replace(BEER, offset=math.nan), "offset nan"),
    ],
)
def test_a_channel_that_can_not_be_right_is_refused_at_the_start(channel: Channel, says: str) -> None:
    """Mistakes of the config come to light before the first payload."""
    with pytest.raises(ConfigError, match="north temperature") as error:
        Decoder("cellar", (channel,))
    assert says in str(error.value)


def test_arrivals_on_one_topic_never_share_a_millisecond() -> None:
    """A burst that arrives at once stays as many readings, unless the clock was set back."""
    decoder = Decoder("cellar", (BEER,))
    times = [decoder.decode(b"18.4", "t", NOW_S).readings[0].time_s for _ in range(1000)]
    assert len({round(time_s * 1000) for time_s in times}) == 1000
    assert times == sorted(times)
    assert decoder.decode(b"18.4", "t", NOW_S + 10).readings[0].time_s == NOW_S + 10
    assert decoder.decode(b"18.4", "t", NOW_S - 3600).readings[0].time_s == NOW_S - 3600


@pytest.mark.parametrize(
    ("payload", "shown"),
    [
        (b"warm", "warm"),
        ("18 °C\n\x1b".encode(), "18 °C\\n\\x1b"),
        (b"\xff" + b"a" * 9999, "\\xff" + "a" * 79 + "…"),
    ],
)
def test_of_what_is_refused_the_start_is_shown_in_signs_that_steer_no_terminal(
    payload: bytes, shown: str
) -> None:
    """Eighty bytes of it, and a mark that there were more."""
    _, (refusal,) = decoded(payload, BEER)
    assert refusal.raw == shown


def test_after_a_flood_new_readings_are_the_newest() -> None:
    """Stamps run ahead of the clock by less than a minute, and never fall back: what falls back is judged by nobody."""
    decoder = Decoder("cellar", (BEER,))
    times = [decoder.decode(b"18.4", "t", NOW_S + n / 10_000).readings[0].time_s for n in range(70_000)]
    assert times == sorted(times)
    assert times[-1] < NOW_S + 7 + 60
    after = [decoder.decode(b"18.4", "t", NOW_S + 7 + n / 10).readings[0].time_s for n in range(1, 4)]
    assert times[-1] < after[0] < after[1] < after[2]


CHANNELS = (
    BEER,
    NOTE,
    replace(BEER, pointer="/v", time_pointer="/t"),
    replace(BEER, pointer=""),
    replace(NOTE, pointer="/v"),
    replace(BEER, senml_name="a"),
    replace(NOTE, senml_name="a"),
    replace(TOP, key="v"),
    replace(TOP, column=2),
    replace(TOP, scale=1e300),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from("vtna") | st.text(max_size=3), inner)
    ),
    max_leaves=10,
)
PAYLOADS = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.text("0123456789+-.eE,;= \tv\n_nanif", max_size=60).map(str.encode),
    JSON.map(lambda document: json.dumps(document).encode()),
    st.text('[]{}",:\\0v', max_size=60).map(str.encode),
    JSON.map(lambda inner: json.dumps([{"n": "a", "v": inner, "t": inner}]).encode()),
)


@given(PAYLOADS, st.booleans())
def test_no_payload_crashes_a_decoder(payload: bytes, retained: bool) -> None:
    """Whatever comes, every channel gives finite readings or refusals that can be shown."""
    for channel in CHANNELS:
        readings, refusals = decoded(payload, channel, retained=retained)
        assert readings or refusals
        for reading in readings:
            assert math.isfinite(reading.value)
            assert math.isfinite(reading.time_s)
            reading.text.encode()
        for refusal in refusals:
            assert f"{refusal.raw}{refusal.detail}".encode()
            assert refusal.raw.isprintable()
            assert len(refusal.raw) <= 400


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_arrives_as_it_was_sent(number: float) -> None:
    """Bare, in JSON, in SenML, in a pair or a column, a float comes back bit for bit."""
    text = repr(number)
    assert value(text, BEER) == number
    assert value(f'{{"v": {text}}}', replace(BEER, pointer="/v")) == number
    assert value(f'[{{"n": "a", "v": {text}}}]', replace(BEER, senml_name="a")) == number
    assert value(f"v={text}", replace(BEER, key="v")) == number
    assert value(f"{text};0", replace(BEER, column=1)) == number


@pytest.mark.parametrize("mark", [b" ", b"[", b"{", b'"', b"=", b",", b"\\", b"[{", b'{"a":', b"1 ", b"= "])
def test_no_payload_takes_long(mark: bytes) -> None:
    """No filling of the full 16 KiB sends a reader into quadratic time (a second would be thousands of times usual)."""
    payload = (mark * 16_384)[: 16 * 1024]
    began_s = time.thread_time()
    for channel in CHANNELS:
        decoded(payload, channel)
    assert time.thread_time() - began_s < 1.0
