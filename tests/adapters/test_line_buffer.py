"""Bytes become whole lines of bounded length, however they are cut."""

from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.line_buffer import Line, LineBuffer


def whole(buffer: LineBuffer, *chunks: bytes) -> list[bytes]:
    return [line.content for chunk in chunks for line in buffer.feed(chunk) if not line.cut]


@given(
    st.lists(st.binary(min_size=1, max_size=30).filter(lambda line: b"\n" not in line)), st.integers(1, 40)
)
def test_lines_do_not_depend_on_how_the_stream_was_cut(lines: list[bytes], step: int) -> None:
    """Fed in any portions, the same lines come out; a half line waits for its end."""
    stream = b"".join(line + b"\n" for line in lines) + b"half"
    portions = [stream[at : at + step] for at in range(0, len(stream), step)]
    assert whole(LineBuffer(), *portions) == whole(LineBuffer(), stream)
    assert b"half" not in whole(LineBuffer(), *portions)


def test_ends_of_all_kinds() -> None:
    """A carriage return beside the end goes, empty lines go, another end can be declared."""
    assert whole(LineBuffer(), b"18.4\r\n\r\n\n18.5\n") == [b"18.4", b"18.5"]
    assert whole(LineBuffer(end=b"\r"), b"18.4\r18.5\r\n18.6\r") == [b"18.4", b"18.5", b"18.6"]


def test_the_first_line_may_be_half_and_is_passed_over() -> None:
    """Listening begins somewhere in a line: `1.211` could be the tail of `21.211`."""
    assert whole(LineBuffer(skip_first=True), b"1.2", b"11\n18.4\n") == [b"18.4"]


@given(st.integers(9, 5000), st.integers(1, 700))
def test_an_endless_line_costs_one_refusal_and_no_memory(length: int, step: int) -> None:
    """Garbage without an end is cut once, dropped up to the next end, and then all is well."""
    buffer = LineBuffer(limit=8)
    stream = b"x" * length + b"\n18.4\n"
    lines = []
    for at in range(0, len(stream), step):
        lines += buffer.feed(stream[at : at + step])
        assert len(buffer._kept) <= 9
    assert lines == [Line(b"x" * 8, cut=True), Line(b"18.4")]


def test_a_line_of_just_the_limit_passes() -> None:
    """The limit is the longest line that is taken, with its carriage return or without."""
    assert LineBuffer(limit=8).feed(b"12345678\r\n12345678\n") == [Line(b"12345678"), Line(b"12345678")]
    buffer = LineBuffer(limit=8)
    assert buffer.feed(b"12345678\r") + buffer.feed(b"\n") == [Line(b"12345678")]


def test_resynchronising_drops_what_was_begun() -> None:
    """After a pause the rest of an old line is not taken for a whole one."""
    buffer = LineBuffer()
    buffer.feed(b"18.")
    buffer.resynchronise()
    assert whole(buffer, b"4\n18.5\n") == [b"18.5"]
