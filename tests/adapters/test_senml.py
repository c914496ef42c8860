"""SenML against the examples of RFC 8428 section 5.1, among them a pack with the resolved form that the RFC prints."""

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.errors import DataError
from ullage.adapters.senml import RELATIVE_BELOW_S, SenmlRecord, resolve

NOW_S = 1_772_346_600.0
DEVICE = "urn:dev:ow:10e2073a01080063"


def resolved(text: str) -> tuple[SenmlRecord, ...]:
    return resolve(json.loads(text), NOW_S)


def test_single_data_point() -> None:
    """Section 5.1.1: a temperature, taken about now."""
    (record,) = resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert (record.name, record.unit, record.value) == (DEVICE, "Cel", 23.1)
    assert (record.time_s, record.own_time) == (NOW_S, False)


def test_multiple_data_points() -> None:
    """Section 5.1.2, first example: base name over two records."""
    records = resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    )
    assert [(record.name, record.unit, record.value) for record in records] == [
        (f"{DEVICE}:voltage", "V", 120.1),
        (f"{DEVICE}:current", "A", 1.2),
    ]


def test_base_time_and_relative_times() -> None:
    """Section 5.1.2, second example: "at each second for the previous 5 seconds" of 18:01:16.001 UTC, 8 June 2010."""
    records = resolved(
        """[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
    )
    expected = [
        ("voltage", "V", 1.276020076001e09, 120.1),
        ("current", "A", 1.276020071001e09, 1.2),
        ("current", "A", 1.276020072001e09, 1.3),
        ("current", "A", 1.276020073001e09, 1.4),
        ("current", "A", 1.276020074001e09, 1.5),
        ("current", "A", 1.276020075001e09, 1.6),
        ("current", "A", 1.276020076001e09, 1.7),
    ]
    assert [(r.name, r.unit, round(r.time_s, 6), r.value) for r in records] == [
        (f"urn:dev:ow:10e2073a0108006:{name}", unit, time_s, value) for name, unit, time_s, value in expected
    ]
    assert all(record.own_time for record in records)


MEASUREMENTS = """[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
    {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},
    {"u":"lat","t":60,"v":60.07965},{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},
    {"u":"lat","t":120,"v":60.07966},{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},
    {"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"""
RESOLVED = """[{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
    {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
    {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}]"""


def test_the_printed_resolved_form() -> None:
    """Section 5.1.3 resolves to what section 5.1.4 prints, and the resolved form to itself."""
    records = resolved(MEASUREMENTS)
    printed = json.loads(RESOLVED)
    assert [(r.name, r.unit, r.time_s, r.value) for r in records] == [
        (entry["n"], entry["u"], entry["t"], entry["v"]) for entry in printed
    ]
    assert resolved(RESOLVED) == records


def test_a_new_base_name_keeps_the_base_time() -> None:
    """Section 5.1.6: the last record has the base name of the third and the base time of the first."""
    records = resolved(
        """[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}]"""
    )
    assert (records[-1].name, records[-1].time_s) == ("2001:db8::1/humidity", 1.320078429e09)


def test_a_record_of_base_fields_alone_has_no_value() -> None:
    """Section 5.1.7: a base name may stand in a record of its own."""
    records = resolved('[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1}]')
    assert [(record.name, record.value) for record in records] == [("urn:dev:ow:10e2073a01080063:temp", 23.1)]


def test_other_types_of_value() -> None:
    """Section 5.1.5: text, truth and octets, the octets in base64url without padding."""
    records = resolved(
        """[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"""
    )
    assert [record.value for record in records] == [23.1, "Machine Room", False, b"hi \n"]


def test_base_values_are_added() -> None:
    """Section 4.1: bv adds to v and stands alone where v is missing; bs likewise."""
    records = resolved('[{"bn":"a","bv":20,"v":1.5},{"n":"b"},{"n":"c","bs":5,"s":2,"v":0}]')
    assert [(record.name, record.value, record.sum) for record in records] == [
        ("a", 21.5, None), ("ab", 20.0, None), ("ac", 20.0, 7.0),
    ]  # fmt: skip


def test_an_update_time_is_that_of_its_own_record() -> None:
    """Section 4.2, "Update Time": seconds until this sensor has an updated reading; no base field stands for it."""
    records = resolved('[{"bn":"a","v":1,"ut":60},{"n":"b","v":2},{"n":"c","v":3,"ut":0.5}]')
    assert [(record.name, record.update_time_s) for record in records] == [
        ("a", 60.0), ("ab", None), ("ac", 0.5),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("time_s", "own"), [(0, False), (-60, False), (RELATIVE_BELOW_S - 1, False), (RELATIVE_BELOW_S, True)]
)
def test_times_below_two_to_the_28_are_relative(time_s: int, own: bool) -> None:
    """Section 4.5.3: smaller values count from now, negative ones back."""
    (record,) = resolve([{"n": "a", "v": 1, "t": time_s}], NOW_S)
    assert (record.own_time, record.time_s) == (own, time_s if own else NOW_S + time_s)


@pytest.mark.parametrize(
    ("pack", "says"),
    [
        ('{"n":"a","v":1}', "array"),
        ("[1]", "object"),
        ('[{"n":"a"}]', "has no value"),
        ('[{"n":"a","v":1,"vs":"x"}]', "exactly one"),
        ('[{"n":"a","v":1,"x_":1}]', "understands 'x_'"),
        ('[{"n":"a","v":1,"bver":11}]', "version 11"),
        ('[{"n":"a","v":1,"bver":10},{"n":"b","v":1,"bver":9}]', "one version"),
        ('[{"n":"-a","v":1}]', "name"),
        ('[{"v":1}]', "name"),
        ('[{"n":"a b","v":1}]', "name"),
        ('[{"n":"a","v":"1"}]', "must be a number"),
        ('[{"n":"a","v":true}]', "must be a number"),
        ('[{"n":"a","v":null}]', "must be a number"),
        ('[{"n":"a","vb":1}]', "right type"),
        ('[{"n":"a","vd":"!"}]', "base64url"),
        ('[{"n":"a","v":1,"t":1e999}]', "finite"),
        ('[{"n":"a","v":1,"ut":"60"}]', "ut must be a number"),
        ('[{"n":1,"v":1}]', "must be text"),
    ],
)
def test_a_pack_that_breaks_a_rule_is_refused_whole(pack: str, says: str) -> None:
    """Sections 4.1 to 4.5: none of such a pack is used, and the sentence says why."""
    with pytest.raises(DataError, match=says):
        resolved(pack)


def test_unknown_labels_are_passed_over() -> None:
    """Section 4.4: a label that does not end in `_` may be ignored."""
    assert resolved('[{"n":"a","v":1,"colour":"red"}]')[0].value == 1


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(
                st.sampled_from(["n", "v", "bn", "t", "bt", "u", "vs", "vd", "bver", "s", "bs", "bv", "ut"]),
                inner,
            )
        ),
        max_leaves=12,
    )
)
def test_no_document_crashes(document: object) -> None:
    """Any JSON is resolved or refused."""
    with contextlib.suppress(DataError):
        assert isinstance(resolve(document, NOW_S), tuple)
