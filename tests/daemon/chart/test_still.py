"""The still picture with its heading and words, rendered in a process of its own."""

import os
import stat
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from tests.daemon.chart.test_png import pixels
from tests.daemon.chart.views import DAY_S, START_S, view
from ullage.adapters.errors import DataError
from ullage.daemon.chart.batch import batch_picture
from ullage.daemon.chart.layout import DESK, PHONE, Layout
from ullage.daemon.chart.picture import Mark, MarkKind, Picture
from ullage.daemon.chart.png_apart import to_png_apart
from ullage.daemon.chart.still import MOST_LINES, draw_still
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime

SVG = "{http://www.w3.org/2000/svg}"


def picture() -> Picture:
    """Return the invented batch."""
    return batch_picture(
        view(), (START_S, START_S + 10 * DAY_S), Units(), LocalTime.named("UTC"), title="north"
    )


def texts(svg: str) -> list[str]:
    """Return the words of a drawing in their order."""
    return [element.text or "" for element in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("layout", [PHONE, DESK])
def test_it_explains_itself(layout: Layout) -> None:
    """Whose chart, from when to when, and what each numbered mark means stand in the picture itself."""
    said = texts(draw_still(picture(), layout, "north: <Amber>"))
    assert said[:2] == ["north: <Amber>", "Sun 01 Mar 09:00 to Wed 11 Mar 09:00"]
    for number, words in (("1", "Sun 01 Mar 09:00  pitched"), ("6", "Sun 08 Mar 21:00  finished")):
        assert number in said
        assert words in said


def test_words_stay_within_the_picture() -> None:
    """A long entry is cut, and of very many marks the latest are said."""
    marks = [
        Mark(time_s=START_S + 60.0 * n, kind=MarkKind.JOURNAL, text=f"{n} " + "word " * 40, number=n)
        for n in range(1, 101)
    ]
    whole = picture()
    many = Picture(
        title="x",
        description="x",
        start_s=whole.start_s,
        end_s=whole.end_s,
        panels=whole.panels,
        marks=tuple(marks),
        zone=whole.zone,
    )
    for layout in (PHONE, DESK):
        key = [text for text in texts(draw_still(many, layout, "north")) if text.startswith("Sun 01 Mar 10:")]
        assert len([text for text in key if "word" in text]) == MOST_LINES
        assert all(text.endswith("…") for text in key if "word" in text)
        assert any("  100 word" in text for text in key)


def test_rendered_apart(tmp_path: Path) -> None:
    """The child returns the picture in the width asked for, and its dark pixels show that its words are there."""
    width, height, rows = pixels(to_png_apart(draw_still(picture(), PHONE, "north"), width=374, timeout_s=30))
    assert width == 374
    assert height > 500
    foot = rows[int(height * 0.85) :]
    assert sum(row[i] < 140 for row in foot for i in range(0, len(row), 4)) > 300


def child(folder: Path, script: str) -> str:
    """Return a program that stands in for the interpreter."""
    path = folder / "python"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("exec sleep 60", "not drawn within"),
        ("kill -SEGV $$", "exit -11"),
        ("echo out of ink >&2; exit 1", "out of ink"),
        ("echo no picture", "can't be drawn"),
    ],
)
def test_whatever_becomes_of_the_child(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, said: str
) -> None:
    """A child that hangs, dies or talks nonsense is an error in a sentence, soon."""
    monkeypatch.setattr(sys, "executable", child(tmp_path, script))
    with pytest.raises(DataError, match=said):
        to_png_apart("<svg/>", width=10, timeout_s=0.5 if "sleep" in script else 20)


def test_secrets_stay_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The child's environment holds nothing that it does not need."""
    monkeypatch.setenv("PUSH_ADDRESS", "json://secret")
    seen = tmp_path / "seen"
    monkeypatch.setattr(sys, "executable", child(tmp_path, f"env >{seen}; exit 1"))
    with pytest.raises(DataError):
        to_png_apart("<svg/>", width=10, timeout_s=20)
    assert f"PATH={os.environ['PATH']}" in seen.read_text()
    assert "secret" not in seen.read_text()
