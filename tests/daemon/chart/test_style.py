"""Colours: contrast by WCAG 2.2's own formula, in both themes."""

import itertools
import re

import pytest

from ullage.daemon.chart.style import DARK, LIGHT, RULES, chart_css


def luminance(colour: str) -> float:
    """Return relative luminance, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio, https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def mixed(colour: str, ground: str, opacity: float) -> str:
    """Return a colour as it shows on its ground."""
    pairs = ((int(colour[i : i + 2], 16), int(ground[i : i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(opacity * over + (1 - opacity) * under):02x}" for over, under in pairs)


def test_the_formula() -> None:
    """Black on white is 21:1 and #767676 on white the well-known 4.54:1 (WCAG 2.2; WebAIM's list)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_stand_out(colours: dict[str, str]) -> None:
    """Text keeps 4.5:1 (1.4.3) on paper and on every filled area; lines and symbols 3:1 (1.4.11)."""
    grounds = ("paper", "yeast", "shut", "window")
    for text, ground in itertools.product(("ink", "soft", "alarm"), grounds):
        assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for mark, ground in itertools.product(
        ("pressure", "temperature", "production", "other", "alarm", "notice", "silent"), grounds
    ):
        assert contrast(colours[mark], colours[ground]) >= 3, (mark, ground)
    (opacity,) = re.findall(r"\.line\.air\{[^}]*stroke-opacity:([\d.]+)", RULES)
    for ground in grounds:
        assert contrast(mixed(colours["soft"], colours[ground], float(opacity)), colours[ground]) >= 3, ground


def test_a_fixed_theme_needs_no_custom_properties() -> None:
    """Renderers that know none get plain colours, every one of them."""
    for theme in ("light", "dark"):
        assert "var(" not in chart_css(theme)
    assert set(LIGHT) == set(DARK)
    assert RULES.count("var(--") > 20
