"""How the report looks: the charts' palette, one column of text, nothing loaded from anywhere."""

from ullage.daemon.chart.style import DARK, LIGHT, RULES

_PAPER = """
*{box-sizing:border-box}
body{margin:0 auto;padding:1rem;max-width:78rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif;font-variant-numeric:tabular-nums}
h1{font-size:1.7rem;line-height:1.2;margin:.5rem 0}
h1,h2,h3,p,td{overflow-wrap:anywhere}
h2{font-size:1.35rem;margin:2.5rem 0 .5rem;border-top:2px solid var(--ink);padding-top:.5rem}
h3{font-size:1.1rem;margin:2rem 0 .3rem}
p,ul,ol{max-width:46rem;margin:.5rem 0}
.soft{color:var(--soft)}
.told{border-left:4px solid var(--notice);padding-left:1rem;margin:2rem 0}
.told.alarm{border-color:var(--alarm)}
.told.over{border-style:double}
.sign{display:inline-block;min-width:1.4em;font-weight:700}
.alarm .sign,td.alarm{color:var(--alarm)}
figure{margin:.8rem 0}
figcaption{color:var(--soft);max-width:46rem}
.chart{width:100%;height:auto;max-width:75rem}
.chart.chart-phone{display:none}
.wide{overflow-x:auto}
table{border-collapse:collapse;margin:.6rem 0}
th,td{text-align:left;vertical-align:top;padding:.25rem .9rem .25rem 0;border-bottom:1px solid var(--rule)}
th{font-weight:600}
td.number{text-align:right}
a{color:inherit}
@media (max-width:50rem){.chart.chart-desk{display:none}.chart.chart-phone{display:block}}
@media print{.chart.chart-desk{display:block}.chart.chart-phone{display:none}.told{break-inside:avoid}}
"""


def report_css() -> str:
    """Return the style sheet of a report; it follows the reader's setting for light or dark, and prints light."""
    light = ";".join(f"--{name}:{value}" for name, value in LIGHT.items())
    dark = ";".join(f"--{name}:{value}" for name, value in DARK.items())
    return (
        f":root{{color-scheme:light dark;{light}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{_PAPER}{RULES}"
    )
