"""Gathers a replay while it runs, and writes the report and the still picture at its end."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from ullage.adapters.errors import DataError
from ullage.adapters.log_format import RecordedLog
from ullage.daemon.chart.layout import DESK
from ullage.daemon.chart.png import fonts, to_png
from ullage.daemon.chart.still import draw_still
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.daemon.replaying import Replayed
from ullage.daemon.report.gathered import Replay, VesselStory, gather
from ullage.daemon.report.html import report_html, whole_picture
from ullage.daemon.report.trace import Trace
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding

PNG_WIDTH = 1800


class ReportWriter:
    """Looks on, takes every finding, and writes at the end.

    Parameters
    ----------
    log
        The log's name.
    report, png
        Where to; None leaves it out.
    units
        The reader's.

    Raises
    ------
    ConfigError
        If a picture is asked for and can't be made: better before a long replay than after it.
    """

    def __init__(self, log: str, *, report: Path | None, png: Path | None, units: Units) -> None:
        self._log = log
        self._report = report
        self._png = png
        self._units = units
        self._traces: dict[str, Trace] = {}
        self._findings: dict[str, list[Finding]] = {}
        if png is not None:
            fonts()

    def observe(self, pair: Replayed) -> Sequence[Detector]:
        """Return the observer of one vessel."""
        return (self._traces.setdefault(pair.watched.vessel.name, Trace(pair.watched.vessel)),)

    def take(self, finding: Finding) -> None:
        """Keep one finding."""
        self._findings.setdefault(finding.vessel, []).append(finding)

    def write(self, pairs: Sequence[Replayed], log: RecordedLog, zone: LocalTime) -> Iterator[Path]:
        """Write what was asked for; yield each file once it is there.

        Raises
        ------
        DataError
            If a file can't be written.
        """
        stories = tuple(self._story(pair) for pair in pairs)
        if self._report is not None:
            replay = Replay(log=self._log, vessels=stories, bad_rows=log.bad_rows, lines=log.lines)
            html = report_html(replay, self._units, zone)
            yield _written(self._report, lambda part: part.write_text(html, encoding="utf-8"))
        if self._png is not None:
            for story in stories:
                name = story.watched.vessel.name
                path = self._png
                if len(stories) > 1:
                    path = path.with_name(f"{path.stem}-{_plain(name)}{path.suffix}")
                data = still_picture(story, self._units, zone)
                yield _written(path, lambda part, data=data: part.write_bytes(data))  # type: ignore[misc]

    def _story(self, pair: Replayed) -> VesselStory:
        name = pair.watched.vessel.name
        return gather(pair.log, pair.watched, self._findings.get(name, []), self._traces[name])


def still_picture(story: VesselStory, units: Units, zone: LocalTime) -> bytes:
    """Return a vessel's whole log as PNG."""
    svg = draw_still(whole_picture(story, units, zone), DESK, story.watched.vessel.name)
    return to_png(svg, width=PNG_WIDTH)


def _written(path: Path, write: Callable[[Path], object]) -> Path:
    """Write a file that appears under its name only when it is whole."""
    part = path.with_name(f".part-{path.name}")
    try:
        write(part)
        os.replace(part, path)
    except OSError as error:
        raise DataError(str(path), f"can't be written ({error.strerror})", "check the folder") from None
    finally:
        with suppress(OSError):
            part.unlink()
    return path


def _plain(name: str) -> str:
    """Return a name as it may stand in a file's."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name)
