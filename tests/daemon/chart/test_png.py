"""The still picture: rendered, with its words."""

import io
import struct
import zlib

import numpy as np
import pytest

from tests.daemon.chart.views import DAY_S, START_S, view
from ullage.adapters.errors import ConfigError
from ullage.daemon.chart import png
from ullage.daemon.chart.batch import batch_picture
from ullage.daemon.chart.drawing import draw
from ullage.daemon.chart.layout import DESK
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime


def pixels(data: bytes) -> tuple[int, int, list[bytearray]]:
    """Decode an 8-bit RGBA PNG (W3C PNG, third edition): width, height and rows."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    stream, packed, width, height = io.BytesIO(data[8:]), b"", 0, 0
    while head := stream.read(8):
        length, kind = struct.unpack(">I4s", head)
        body = stream.read(length)
        stream.read(4)
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            assert (depth, colour) == (8, 6)
        elif kind == b"IDAT":
            packed += body
    raw, rows, before = zlib.decompress(packed), [], bytearray(width * 4)
    for y in range(height):
        at = y * (width * 4 + 1)
        row = bytearray(raw[at + 1 : at + 1 + width * 4])
        _unfilter(raw[at], row, before)
        rows.append(row)
        before = row
    return width, height, rows


def _unfilter(kind: int, row: bytearray, before: bytearray) -> None:
    """Undo a row's filter in its place; only those that look at the pixel before have to go from byte to byte."""
    if kind == 1:
        row[:] = np.cumsum(np.frombuffer(row, np.uint8).reshape(-1, 4), axis=0, dtype=np.uint8).tobytes()
    elif kind == 2:
        row[:] = (np.frombuffer(row, np.uint8) + np.frombuffer(before, np.uint8)).tobytes()
    elif kind == 3:
        for i in range(len(row)):
            row[i] = (row[i] + ((row[i - 4] if i >= 4 else 0) + before[i]) // 2) & 255
    elif kind == 4:
        for i in range(len(row)):
            left, up, corner = (row[i - 4], before[i], before[i - 4]) if i >= 4 else (0, before[i], 0)
            off = abs(up - corner), abs(left - corner), abs(left + up - 2 * corner)
            nearest = left if off[0] <= off[1] and off[0] <= off[2] else up if off[1] <= off[2] else corner
            row[i] = (row[i] + nearest) & 255


def picture(*, title: bool = True) -> str:
    """Return a chart; without its words if so asked."""
    svg = draw(
        batch_picture(
            view(), (START_S, START_S + 10 * DAY_S), Units(), LocalTime.named("UTC"), title="north"
        ),
        DESK,
        theme="light",
    )
    return svg if title else svg.replace("<text", "<g").replace("</text", "</g")


def test_words_have_pixels() -> None:
    """A renderer without a font leaves all words out and says nothing; ours shows them."""
    width, height, rows = pixels(png.to_png(picture(), width=600))
    _, _, bare = pixels(png.to_png(picture(title=False), width=600))
    assert width == 600
    assert height == len(bare)
    foot = range(int(height * 0.97), height)
    dark = sum(row[i] < 140 for y in foot for row in [rows[y]] for i in range(0, len(row), 4))
    nothing = sum(row[i] < 140 for y in foot for row in [bare[y]] for i in range(0, len(row), 4))
    assert dark > nothing + 100


def test_no_font_is_an_error_and_not_a_picture_without_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no font is found the sentence says what to install."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    monkeypatch.setattr(png, "_PLACES", ("/nowhere.ttf",))
    with pytest.raises(ConfigError, match="finds none"):
        png.fonts()


def test_the_extra_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the renderer the sentence names the extra."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(ConfigError, match="extra `png`"):
        png.to_png("<svg/>", width=10)
