"""Batches on a terminal of 80 columns, in words and without colour."""

import textwrap
from collections.abc import Iterator, Sequence

from ullage.adapters.timestamps import parse_rfc3339
from ullage.daemon.batch_summary import Summary
from ullage.daemon.finding_table import plain
from ullage.daemon.gravity_text import gravity_text
from ullage.daemon.local_time import LocalTime
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.times import duration_text, local_text
from ullage.detectors.batch import Batch
from ullage.detectors.co2 import volumes_from_g_per_l
from ullage.detectors.stage import NextStep, StageChange
from ullage.detectors.vessel import Vessel

_DOSES = ("no finings", "finings once", "finings twice")


def carbonation_text(g_per_l: float) -> str:
    """Return `5.0 g/L (2.5 volumes)`."""
    return f"{g_per_l:.1f} g/L ({float(volumes_from_g_per_l(g_per_l)):.1f} volumes)"


def wishes_text(vessel: Vessel, wishes: Batch) -> str:
    """Return what is wanted of a batch, in a sentence."""
    words = [wishes.beverage.value]
    if vessel.yeast_temperature_c is not None:
        low, high = vessel.yeast_temperature_c
        words.append(f"yeast {low:g} to {high:g} °C")
    if vessel.original_gravity is not None:
        words.append(f"original gravity {gravity_text(vessel.original_gravity)}")
    if wishes.wanted_g_per_l is not None:
        words.append(f"{carbonation_text(wishes.wanted_g_per_l)} served at {wishes.serving_c:g} °C")
    words.append(_DOSES[wishes.doses])
    if wishes.plan:
        words.append(f"plan: {wishes.plan}")
    return ", ".join(words)


def head_text(batch: StoredBatch, zone: LocalTime, now_s: float) -> str:
    """Return vessel, name, beginning and age or end of a batch."""
    name = f' "{plain(batch.wishes.name)}"' if batch.wishes.name else ""
    until_s = now_s if batch.ended_s is None else batch.ended_s
    length = duration_text(until_s - batch.began_s)
    end = f"{length} old" if batch.ended_s is None else f"ended {local_text(batch.ended_s, zone)}, {length}"
    return f"{plain(batch.vessel)}: batch {batch.id}{name}, begun {local_text(batch.began_s, zone)}, {end}"


def stage_lines(changes: Sequence[StageChange], zone: LocalTime, width: int) -> Iterator[str]:
    """Yield a line a change of stage: when, what, why; what was undone says so."""
    for change in changes:
        by = "*" if change.by_brewer else " "
        head = f"{local_text(change.since_s, zone)}  {by} {change.stage.value:<18}"
        why = change.why
        if change.undone_s is not None:
            why = f"undone {local_text(change.undone_s, zone)} ({why})"
        yield from textwrap.wrap(
            head + plain(why), width, initial_indent="  ", subsequent_indent=" " * (len(head) + 2)
        )
    if any(change.by_brewer for change in changes):
        yield "  * the brewer's word"


def next_text(step: NextStep, zone: LocalTime, now_s: float) -> str:
    """Return what is next, and when."""
    text = plain(step.text)
    if step.due_s is not None:
        text += f": {when_text(step.due_s, zone, now_s)}"
    if step.quiet_until_s is not None and step.quiet_until_s > now_s:
        text += f" (put off until {local_text(step.quiet_until_s, zone)})"
    return text


def when_text(time_s: float, zone: LocalTime, now_s: float) -> str:
    """Return `now`, or when and in how long."""
    if time_s <= now_s:
        since = duration_text(now_s - time_s)
        return "now" if now_s - time_s < 3600 else f"now, due for {since}"
    return f"{local_text(time_s, zone)} (in {duration_text(time_s - now_s)})"


def summary_lines(summary: Summary, zone: LocalTime, width: int) -> Iterator[str]:
    """Yield the summary, line by line."""
    name = f' "{plain(summary.name)}"' if summary.name else ""
    ended = "" if summary.ended is None else f" to {local_text(parse_rfc3339(summary.ended), zone)}"
    began = local_text(parse_rfc3339(summary.began), zone)
    yield f"{plain(summary.vessel)}:{name} {summary.beverage}, {began}{ended}"
    for span in summary.stages:
        since = local_text(parse_rfc3339(span.since), zone)
        yield f"  {span.stage:<18}{duration_text(span.hours * 3600):<14}from {since}"
    for label, text in _facts(summary):
        yield from textwrap.wrap(f"{label:<18}{text}", width, initial_indent="  ", subsequent_indent=" " * 20)


def _facts(summary: Summary) -> Iterator[tuple[str, str]]:
    yield "whole batch", duration_text(summary.hours * 3600)
    peak = summary.peak_rate_g_per_l_day
    if peak is None:
        why = "no pressure was read" if summary.highest_bar is None else "gas could leave all the time"
        yield "peak rate", f"not measured: {why}"
    else:
        yield (
            "peak rate",
            f"{peak:.1f} g/L CO2 a day, the highest that could be measured",
        )
    if summary.yeast_range_c is not None and summary.in_range_share is not None:
        low, high = summary.yeast_range_c
        share = f"{summary.in_range_share * 100:.0f} % of the time within {low:g} to {high:g} °C"
        yield "temperature", f"{share}, until it was finished or chilled"
    if summary.on_plan_share is not None:
        yield "plan", f"{summary.on_plan_share * 100:.0f} % of the time near its steps"
    if summary.highest_bar is not None:
        yield "highest pressure", f"{summary.highest_bar:.2f} bar"
    if summary.original_gravity is not None and summary.final_gravity is not None:
        alcohol = (
            "" if summary.alcohol_percent is None else f", {summary.alcohol_percent:.1f} % alcohol by volume"
        )
        basis = f" ({summary.final_gravity_basis})" if summary.final_gravity_basis else ""
        yield "gravity", f"{summary.original_gravity:.3f} to {summary.final_gravity:.3f}{basis}{alcohol}"
    if summary.vented_g is None:
        yield "gas vented", f"not known: {summary.vented_basis}"
    else:
        yield "gas vented", f"about {summary.vented_g:.0f} g of CO2 ({summary.vented_basis})"
    told = [f"{condition} {count}" for condition, count in summary.alarms.items()]
    yield "alarms", ", ".join(told) or "none"
