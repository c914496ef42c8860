"""Colours of charts: one palette for light, one for dark; every pair that must be told apart keeps WCAG 2.2's contrast.

Nothing is said by colour alone: lines are named, kinds of marks have shapes of their own, ranges carry their words.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

Theme = Literal["auto", "light", "dark"]

LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#fbfaf6",
        "ink": "#1c2226",
        "soft": "#515b63",
        "rule": "#d8d8d0",
        "pressure": "#0a5a78",
        "temperature": "#96390f",
        "production": "#3f6212",
        "other": "#6b3fa0",
        "yeast": "#efe6cd",
        "shut": "#e4ebe9",
        "window": "#c9dcd6",
        "alarm": "#ad0f24",
        "notice": "#0a5a78",
        "silent": "#8a5a00",
    }
)
DARK: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#14181a",
        "ink": "#ecebe6",
        "soft": "#aab3b8",
        "rule": "#323a3f",
        "pressure": "#74c6e3",
        "temperature": "#f2a673",
        "production": "#a9d172",
        "other": "#c6a8f0",
        "yeast": "#37321f",
        "shut": "#222c2c",
        "window": "#2c4440",
        "alarm": "#ff9095",
        "notice": "#74c6e3",
        "silent": "#e3b45c",
    }
)

RULES = """
.chart{display:block;background:var(--paper);font-family:system-ui,"DejaVu Sans",sans-serif}
.chart text{fill:var(--soft)}
.chart .head{fill:var(--ink);font-weight:600}
.chart .grid{stroke:var(--rule);stroke-width:1;fill:none}
.chart .day{stroke:var(--soft);stroke-width:1;stroke-opacity:.45;fill:none}
.chart .now{stroke:var(--ink);stroke-width:1;stroke-dasharray:1 3;fill:none}
.chart .line{fill:none;stroke-width:16;stroke-linejoin:round;stroke-linecap:round}
.chart .pressure{stroke:var(--pressure)}
.chart .temperature{stroke:var(--temperature)}
.chart .production{stroke:var(--production)}
.chart .air{stroke:var(--soft)}
.chart .other{stroke:var(--other)}
.chart .line.other{stroke-dasharray:60 30}
.chart .line.air{stroke-width:8;stroke-opacity:.8}
.chart .thin{fill:none;stroke-width:10;stroke-opacity:.55}
.chart .dots{fill:none;stroke-width:40;stroke-linecap:round}
.chart .dots.other{stroke-linecap:square}
.chart .key-air{stroke:var(--soft);stroke-width:.8;fill:none}
.chart .key{stroke:var(--ink);stroke-width:2;fill:none}
.chart .key-other{stroke:var(--other);stroke-width:2;stroke-dasharray:6 3;fill:none}
.chart .band-yeast{fill:var(--yeast)}
.chart .span-shut{fill:var(--shut)}
.chart .span-window{fill:var(--window)}
.chart .level-rated{stroke:var(--alarm);stroke-width:2;stroke-dasharray:7 4;fill:none}
.chart .level-valve{stroke:var(--soft);stroke-width:1.5;stroke-dasharray:2 4;fill:none}
.chart .level-fit,.chart .slope{stroke:var(--ink);stroke-width:2;stroke-dasharray:9 3;fill:none}
.chart .word-rated{fill:var(--alarm)}
.chart .word-fit{fill:var(--ink)}
.chart .silent{fill:var(--silent)}
.chart .mark{stroke:var(--paper);stroke-width:1}
.chart .mark-journal{fill:var(--ink)}
.chart .mark-notice,.chart .mark-over{fill:var(--notice)}
.chart .mark-alarm{fill:var(--alarm)}
.chart .stem{stroke:var(--soft);stroke-width:1;stroke-opacity:.6;fill:none}
.chart .stem-alarm{stroke:var(--alarm);stroke-opacity:.8}
.chart .halo{paint-order:stroke;stroke:var(--paper);stroke-width:3;stroke-linejoin:round}
"""


def chart_css(theme: Theme = "auto") -> str:
    """Return the style sheet of charts.

    Parameters
    ----------
    theme
        `auto` follows the reader's setting; the others are fixed and free of custom properties, for programs that
        know none.
    """
    if theme != "auto":
        colours = LIGHT if theme == "light" else DARK
        return re.sub(r"var\(--(\w+)\)", lambda found: colours[found[1]], RULES)
    return f":root{_block(LIGHT)}@media (prefers-color-scheme:dark){{:root{_block(DARK)}}}{RULES}"


def palette_css() -> str:
    """Return the palettes as custom properties that follow the reader's setting, and `data-theme` where it is set."""
    return (
        f":root{_block(LIGHT)}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){_block(DARK)}}}\n"
        f":root[data-theme=dark]{_block(DARK)}\n"
    )


def _block(colours: Mapping[str, str]) -> str:
    return "{" + ";".join(f"--{name}:{value}" for name, value in colours.items()) + "}"
