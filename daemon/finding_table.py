"""Findings for a person at a terminal: local time, a mark and words for what it is, the text wrapped to the width."""

import textwrap

from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text
from ullage.detectors.finding import Finding, Priority, State

_NARROWEST = 40
_MARKS = {State.RAISED: "!", State.CLEARED: "-", State.NOTED: "*"}
_COLOURS = {Priority.CRITICAL: "1;31", Priority.HIGH: "31", Priority.MEDIUM: "33", Priority.LOW: ""}
_CLEARED_COLOUR = "32"


def finding_lines(finding: Finding, zone: LocalTime, width: int, *, colour: bool) -> str:
    """Return the lines of one finding, without the last line end.

    Parameters
    ----------
    finding
        What was found.
    zone
        Where the reader's clock stands.
    width
        Columns of the terminal.
    colour
        Whether to colour the head as well; the words say all of it without.
    """
    what = finding.condition.value + (f" ({finding.subject})" if finding.subject else "")
    state = "" if finding.state is State.NOTED else f" {finding.state.value}"
    grade = f" [{finding.priority.value}]" if finding.state is State.RAISED else ""
    head = f"{_MARKS[finding.state]} {what}{state}{grade}"
    code = _CLEARED_COLOUR if finding.state is State.CLEARED else _COLOURS[finding.priority]
    if colour and code and finding.state is not State.NOTED:
        head = f"\x1b[{code}m{head}\x1b[0m"
    lines = [f"{local_text(finding.time_s, zone)}  {plain(finding.vessel)}  {head}"]
    for part in (finding.text, "Evidence: " + "; ".join(finding.evidence) if finding.evidence else ""):
        lines += textwrap.wrap(
            plain(part), max(_NARROWEST, width), initial_indent="    ", subsequent_indent="    "
        )
    return "\n".join(lines)


def plain(text: str) -> str:
    """Return `text` without what a terminal obeys or hides: a vessel's name must not steer it, nor turn a line round."""
    return text if text.isprintable() else "".join(sign if sign.isprintable() else "?" for sign in text)
