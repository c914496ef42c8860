"""What is said of the end and of a stall: the findings with their texts, numbers and evidence.

Pure functions of the record and the numbers that led to a verdict; when each is told is decided elsewhere.
"""

import math
from dataclasses import replace
from typing import Any

from ullage.detectors.advice_limits import working_limit_bar
from ullage.detectors.ending_bound import Bound
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.first_climb import WHOLE, Worth
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record

ROUSE = "rouse the yeast gently (the valve at its setting and the pressure well below the rated one: roused beer throws gas out and foams)"
"""With the caution that belongs to it: CO2 leaves supersaturated beer at once where it is stirred (common practice)."""

STAY_SHUT = "Leave the valve shut"
"""Said of a test that goes on."""

SAYS_SOMETHING_G_PER_L_DAY = 0.5
"""A rate that is known no better says nothing of a stall: yeast in the middle of a fermentation makes 5 to 10, a last tail 0.5."""
A_WEEK_H = 168.0


IN_DOUBT = "Before packaging or whenever in doubt, take a gravity sample."
SOONER = (
    "That is sooner than most worts are done at these temperatures, and yeast that has stopped with sugar left looks the same: "
    "take a gravity sample before you chill, and package nothing without one."
)


def finished(record: Record, bound: Bound, limit_g_per_l: float, shut_h: float, *, soon: bool) -> Finding:
    """Return the end by a bound on the CO2 still to come; `soon` if most worts would still have gas to make."""
    production, proof = bound.production, bound.proof
    assert proof is not None
    whole_h = shut_h
    if proof is Proof.WORD and record.valve.word_shut_s is not None:
        whole_h = (
            record.now_s - record.valve.word_shut_s
        ) / 3600  # since the brewer shut it, whatever was in between
    hours = f"{production.hours:.0f}"
    if whole_h >= production.hours + 1 and not bound.whole_teeth:
        hours = f"the last {hours} of {whole_h:.0f}"
    window, what_shows = "without a way out for gas", f"shut for {shut_h:.1f} h: {proof.value}"
    if bound.whole_teeth:
        ago_h = (record.now_s - production.end_s) / 3600
        window = "of whole teeth, each drop of the valve counted,"
        what_shows = f"{production.hours:.0f} h of teeth, the last drop {ago_h:.1f} h ago: {proof.value}"
    return _medium(
        record, Condition.FINISHED,
        f"Fermentation is over: in {hours} h {window} no more than "
        f"{_most(production)} g/L CO2 a day can have been made, so at most {bound.most_g_per_l:.1f} "
        f"g/L are still to come. Next: {_rest_first(record)}{'leave' if proof in (Proof.WORD, Proof.SEALED) else 'wind'} the valve "
        f"shut and chill. {SOONER if soon else IN_DOUBT}",
        value=bound.most_g_per_l, limit=limit_g_per_l, unit="g/L",
        rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=(
            what_shows,
            f"{_measured(production)}, temperature taken out",
            f"a tail of at most {bound.tail_h:.0f} h after {record.age_h:.0f} h of fermentation",
        ),
    )  # fmt: skip


def finished_by_gravity(record: Record, evidence: str) -> Finding:
    """Return the end by gravity samples that stand still."""
    return _medium(
        record, Condition.FINISHED,
        f"Fermentation is over. {evidence} Nothing in temperature and pressure speaks against it. Next: "
        f"{_rest_first(record)}leave the valve shut and chill.",
        evidence=(evidence,),
    )  # fmt: skip


def _rest_first(record: Record) -> str:
    """Return the warm rest that the plan has before the chill; empty if it has none."""
    rest = record.vessel.batch.temperatures.rest if record.vessel.batch is not None else None
    return (
        f"the warm rest, {rest.temperature_c:g} °C for {rest.hours:.0f} h; then " if rest is not None else ""
    )


def still_fermenting(
    record: Record,
    production: Production,
    share: Worth,
    shut_h: float,
    hours_to_go: float,
    *,
    ended: bool = False,
) -> Finding:
    """Return that it goes on, and when the pressure would reach the rated limit; production as if beer and gas were in balance.

    `ended` if the valve is open again: then nothing is left to be done.
    """
    vessel, most = record.vessel, production.rate_g_per_l_day
    rate = share.likely * most
    bar_per_h, limit_h = _climb(record, most)
    told = f"{rate:.1f} g/L CO2 a day"
    if share is not WHOLE:
        told = f"about {told} ({share.least * most:.1f} to {most:.1f})"
    sealed = vessel.valve_pressure_bar is None and record.valve.sealed
    advice = "If no gas is let off," if sealed else "Open the valve to its setting again; left shut,"
    if record.valve.proof is Proof.ABOVE:
        advice = "If you have shut the valve, open it to its setting again; if not, it may be stuck: look at it. Left as it is,"
    advice += (
        f" the pressure reaches the rated {vessel.rated_pressure_bar:.2f} bar in about {_roughly(limit_h)}."
    )
    if record.bar >= vessel.rated_pressure_bar:
        advice = f"The pressure is above the rated {vessel.rated_pressure_bar:.2f} bar already: that comes first, see its alarm."
    why = _why_shut(record)
    if ended:
        advice = "The test was short, but the climb was plain; the valve is open again, as it should be."
        why = "by the journal"
    return _medium(
        record, Condition.STILL_FERMENTING,
        f"Still fermenting: {told}, some {_roughly(hours_to_go)} to go. {advice}",
        value=hours_to_go, unit="h", rate_g_per_l_day=rate,
        evidence=(
            f"shut for {shut_h:.1f} h: {why}",
            f"pressure {'rose' if ended else 'rises'} by {bar_per_h * 1000:.0f} mbar/h, temperature taken out",
        ),
    )  # fmt: skip


def gas_comes(
    record: Record, production: Production, share: Worth, shut_h: float, ask_hours: float, *, late: bool
) -> Finding:
    """Return that a test has to go on: what climbs may be production, or no more than what the beer held.

    `late` if most worts are done by now.
    """
    vessel, most = record.vessel, production.rate_g_per_l_day
    bar_per_h, limit_h = _climb(record, most)
    return _medium(
        record, Condition.STILL_FERMENTING,
        f"Gas still comes: about {share.likely * most:.1f} g/L CO2 a day ({share.least * most:.1f} to {most:.1f}) if it is made "
        f"now, but it may be no more than what the beer held and gives off. {STAY_SHUT} for {ask_hours:.0f} h in all and keep an eye "
        "on it: two hours after that at the latest you are told what it is, or how much is known. The pressure reaches the rated "
        f"{vessel.rated_pressure_bar:.2f} bar in about {_roughly(limit_h)} at this pace.",
        rate_g_per_l_day=share.likely * most,
        evidence=(
            f"shut for {shut_h:.1f} h: {_why_shut(record)}",
            f"pressure rises by {bar_per_h * 1000:.0f} mbar/h, temperature taken out",
            "most worts are done by now, or nearly so" if late else "little for a fermentation that goes on",
        ),
    )  # fmt: skip


def not_settled(
    record: Record, climb: Production, shut_h: float, before_g_per_l_day: float, room_h: float, next_h: int
) -> Finding:
    """Return what is known of a test after its hours, with the advice to leave the valve shut.

    `before_g_per_l_day` is the rate of the word before, NaN if this is the first; `room_h` in how many hours the rated limit
    could be reached, `next_h` when the next word comes.
    """
    word = _medium(
        record, Condition.STILL_FERMENTING,
        f"Shut for {shut_h:.0f} h, and not settled yet: {_as_if_made(climb, before_g_per_l_day)}. It may be the last of the "
        f"fermentation, or what the beer held and gives off: only time tells. {STAY_SHUT}: {_room(record, room_h)}, "
        f"and gas that stays in the beer carbonates it. Next word in {next_h} h at the latest.",
        rate_g_per_l_day=climb.rate_g_per_l_day,
        evidence=(f"shut for {shut_h:.1f} h: {_why_shut(record)}", f"{_measured(climb)} in the last {climb.hours:.0f} h"),
    )  # fmt: skip
    return replace(word, priority=Priority.LOW)  # it asks for nothing, so it may wait for the morning


def no_room(record: Record, climb: Production, shut_h: float, room_h: float, again_h: float) -> Finding:
    """Return the same, where the rated limit is too near to wait for more; no test is asked for in half of `again_h`."""
    return _medium(
        record, Condition.STILL_FERMENTING,
        f"Shut for {shut_h:.0f} h, and not settled: {_as_if_made(climb, math.nan)}. But {_room(record, room_h)}. Open the valve to its "
        f"setting again; another test is worth while in a day.",
        value=again_h, unit="h", rate_g_per_l_day=climb.rate_g_per_l_day,
        evidence=(f"shut for {shut_h:.1f} h: {_why_shut(record)}", f"{_measured(climb)} in the last {climb.hours:.0f} h"),
    )  # fmt: skip


def _as_if_made(climb: Production, before_g_per_l_day: float) -> str:
    """Return a climb in words, with what it was at the word before."""
    rate = f"{climb.rate_g_per_l_day:.1f}"
    if climb.low <= 0:
        return f"at most {_most(climb)} g/L CO2 a day is made"
    less = (
        f", {before_g_per_l_day:.1f} before"
        if f"{before_g_per_l_day:.1f}" != rate and before_g_per_l_day > 0
        else ""
    )
    return f"the pressure climbs as if {rate} g/L CO2 a day were made ({_most(climb)} at most{less})"


def _room(record: Record, room_h: float) -> str:
    """Return how far the rated limit is, as a clause."""
    now, rated = (
        f"the pressure, {record.bar:.2f} bar,",
        f"the rated {record.vessel.rated_pressure_bar:.2f} bar",
    )
    if room_h > A_WEEK_H:
        return f"{now} is more than a week from {rated}"
    return f"{now} reaches {rated} in {_roughly(max(room_h, 0.0))} at the soonest"


def _why_shut(record: Record) -> str:
    return record.valve.proof.value if record.valve.proof else "measured"


def chilled_early(record: Record, production: Production) -> Finding:
    """Return that it still ferments though the chill has begun."""
    return _medium(
        record, Condition.STILL_FERMENTING,
        f"The chill begins while at least {production.rate_g_per_l_day:.1f} g/L CO2 a day are still made. Yeast goes to rest in the "
        "cold, and what is left ferments as soon as the beer warms up, in keg or bottle too: keep it in the yeast's range "
        "until it is over, or take a gravity sample before you go on.",
        rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=(f"{_measured(production)} in the last {production.hours:.0f} h", "`chill` in the journal"),
    )  # fmt: skip


def chilled_unproved(record: Record) -> Finding:
    """Return that nothing shows whether it is over though the chill has begun, sooner than most worts are done."""
    return _medium(
        record, Condition.STILL_FERMENTING,
        f"The chill begins {_roughly(record.age_h)} after the first gas, and nothing has shown that fermentation is over: most worts "
        f"still make gas by then{'' if record.valve.sealed else ', and the valve hides it'}. Yeast goes to rest in the cold, and what is left ferments as soon as "
        "the beer warms up, in keg or bottle too. Take a gravity sample before you go on; if it is high, warm the beer again.",
        evidence=(f"{record.age_h:.0f} h since the first gas, at {record.beer_c:.1f} °C now", "`chill` in the journal"),
    )  # fmt: skip


def may_be_over(record: Record, evidence: tuple[str, ...], ask_hours: float) -> Finding:
    """Return the question for a shut-valve test, or for a sample where the rated limit leaves no room for one."""
    rated_bar = record.vessel.rated_pressure_bar
    if record.bar >= working_limit_bar(record.vessel):
        return _medium(
            record, Condition.FINISH_SUSPECTED,
            f"Fermentation may be over, but behind the valve a flat pressure proves nothing, and at {record.bar:.2f} bar it is too near the "
            f"rated {rated_bar:.2f} bar to wind the valve shut. Take a gravity sample. Or turn the valve out first, and test when the "
            "pressure is down.",
            evidence=evidence,
        )  # fmt: skip
    return _medium(
        record, Condition.FINISH_SUSPECTED,
        "Fermentation may be over, but behind the valve a flat pressure proves nothing. Wind the valve shut for "
        f"{ask_hours:.0f} h and enter `valve shut` in the journal: if the pressure stays, it is over; "
        "if it climbs, you are told within two whether to open it again. Stay within reach, and open it before the rated "
        "pressure is near.",
        evidence=evidence,
    )  # fmt: skip


def seems_over(record: Record, bound: Bound, shut_h: float) -> Finding:
    """Return the question for the brewer's word, where the valve looks shut but nobody said so."""
    production = bound.production
    return _medium(
        record, Condition.FINISH_SUSPECTED,
        "Fermentation seems to be over: the valve looks shut, and pressure climbs no more. If it is shut, enter "
        "`valve shut` in the journal, or take a gravity sample: readings alone can't tell it from a valve that "
        "passes gas.",
        rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=(
            f"above where the valve used to open for {shut_h:.0f} h",
            f"no more than {_most(production)} g/L CO2 a day in the last {production.hours:.0f} h",
        ),
    )  # fmt: skip


def rests_above(record: Record, shut_h: float) -> Finding:
    """Return the same question, where a climb that looked like production has slowed down and come to rest."""
    return _medium(
        record, Condition.FINISH_SUSPECTED,
        "Fermentation seems to be over: pressure has climbed above where the valve held it, slower and slower, and rests, as in "
        "a vessel that is shut and only gives off what the beer held. If the valve is shut, enter `valve shut` in the journal, "
        "or take a gravity sample: readings alone can't tell it from a valve that passes gas at a higher setting.",
        evidence=(
            f"above where the valve used to hold for {shut_h:.0f} h",
            f"at rest at {record.bar:.2f} bar for three hours",
        ),
    )  # fmt: skip


def over_or_asleep(record: Record, production: Production) -> Finding:
    """Return the question for a gravity sample, where gas broke off and nothing tells how much there was to ferment."""
    return _medium(
        record, Condition.FINISH_SUSPECTED,
        "Gas has stopped coming, within hours and early. Fermentation may be over, or the yeast asleep: "
        "pressure can't tell. Take a gravity sample before anything else.",
        rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=_broke_off(record, production),
    )  # fmt: skip


def over_early(record: Record, production: Production) -> Finding:
    """Return the question for a gravity sample, where gas has faded as at an end, but early for its wort."""
    return _medium(
        record, Condition.FINISH_SUSPECTED,
        "Gas has faded as it does at the end of a fermentation, but sooner than most worts of "
        f"{record.vessel.original_gravity:.3f} are done at this temperature: it is over, or the yeast has stopped with sugar left. "
        "Pressure can't tell. Take a gravity sample before you chill, and enter it: `ullage gravity`.",
        rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=_broke_off(record, production),
    )  # fmt: skip


def stalled_early(record: Record, production: Production) -> Finding:
    """Return the alarm where gas broke off far too soon for the original gravity."""
    return _medium(
        record, Condition.STALLED,
        "Gas has stopped coming, within hours and early for a wort of "
        f"{record.vessel.original_gravity:.3f}: yeast asleep, or done sooner than most. Take a gravity sample. If "
        f"it is high, {ROUSE} and warm it within its range.",
        state=State.RAISED, rate_g_per_l_day=production.rate_g_per_l_day,
        evidence=_broke_off(record, production),
    )  # fmt: skip


def stalled_high(record: Record, attenuation: float) -> Finding:
    """Return the alarm where gravity shows that much extract is left, though nothing seems to be made."""
    latest = record.gravity.latest
    assert latest is not None
    return _medium(
        record, Condition.STALLED,
        f"Fermentation has stopped at a gravity of {latest.gravity:.4f}, of {record.vessel.original_gravity:.3f}: "
        f"{100 * attenuation:.0f} % attenuated, where most worts reach 70 to 85 %. Measure once more. If it is right, "
        f"{ROUSE} and warm it within its range; don't package it.",
        state=State.RAISED, value=latest.gravity, unit="",
        evidence=(
            f"gravity {latest.gravity:.4f} {(record.now_s - latest.time_s) / 3600:.0f} h ago",
            f"apparent attenuation {100 * attenuation:.0f} %",
        ),
    )  # fmt: skip


def stalled_by_cold(record: Record, production: Production, *, late: bool) -> Finding:
    """Return the alarm where nothing is made in beer below the yeast's range; `late` if most worts are nearly done by then."""
    limits = record.vessel.yeast_temperature_c
    low = limits[0] if limits else math.nan
    where = f"the beer is at {record.beer_c:.1f} °C, below the yeast's {low:.1f} °C"
    text = (
        f"Fermentation has stopped, and {where}: asleep rather than done. Warm it slowly into the range, take a gravity "
        f"sample, and {ROUSE}."
    )
    if late:
        text = (
            f"Gas has stopped coming, and {where}. After so long it may be over, or the yeast asleep with sugar left: pressure can't tell. "
            f"Take a gravity sample before anything else. If it is high, warm the beer slowly into the range and {ROUSE}. If it "
            "stands where it should end and this is the chill, enter `chill`."
        )
    measured = 3 * production.se_g_per_l_day <= SAYS_SOMETHING_G_PER_L_DAY
    return _medium(
        record, Condition.STALLED, text,
        state=State.RAISED, value=record.beer_c, limit=low, unit="°C",
        rate_g_per_l_day=production.rate_g_per_l_day if measured else None,
        evidence=(*((_measured(production),) if measured else ()), "temperature below the yeast's range"),
    )  # fmt: skip


def stalled_no_more(record: Record) -> Finding:
    """Return the end of a stall that has proved to be the end of fermentation."""
    return _medium(
        record, Condition.STALLED, "It was no stall, or is none any more: fermentation is over.",
        state=State.CLEARED,
    )  # fmt: skip


def goes_on_again(record: Record, production: Production) -> Finding:
    """Return the end of a stall."""
    return _medium(
        record, Condition.STALLED, "Fermentation goes on again.",
        state=State.CLEARED, rate_g_per_l_day=production.rate_g_per_l_day,
    )  # fmt: skip


def _climb(record: Record, rate_g_per_l_day: float) -> tuple[float, float]:
    """Return by how much a shut vessel climbs, bar/h, and in how many hours to its rated limit, beer and gas in balance."""
    bar_per_h = rate_g_per_l_day / 24 / record.capacity_g_per_l_bar
    return bar_per_h, (record.vessel.rated_pressure_bar - record.bar) / max(bar_per_h, 1e-6)


def lets_off_again(record: Record) -> Finding:
    """Return the end of a stall in the cold, where the valve is seen at work and no rate can be told."""
    return _medium(
        record, Condition.STALLED,
        "Fermentation goes on again: the beer has been warm for a day, and the valve lets gas off.",
        state=State.CLEARED,
    )  # fmt: skip


def _medium(
    record: Record, condition: Condition, text: str, *, state: State = State.NOTED, **numbers: Any
) -> Finding:
    return Finding(
        time_s=record.now_s,
        vessel=record.vessel.name,
        condition=condition,
        state=state,
        priority=Priority.MEDIUM,
        text=text,
        **numbers,
    )


def _roughly(hours: float) -> str:
    """Return a time that nobody knows well in words: minutes rounded down, else hours, else days."""
    if hours < 1.5:
        return f"{max(math.floor(hours * 12) * 5, 5)} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def _most(production: Production) -> str:
    return f"{max(production.high, 0.02):.2f}"


def _measured(production: Production) -> str:
    """Return what was measured in words: where the interval holds nought there is nothing to be seen, and a rate below it is none."""
    if production.low <= 0:
        return f"no production measurable, at most {_most(production)} g/L a day"
    return f"production {production.rate_g_per_l_day:.2f} ± {3 * production.se_g_per_l_day:.2f} g/L a day"


def _broke_off(record: Record, production: Production) -> tuple[str, str]:
    return (
        f"no more than {_most(production)} g/L CO2 a day are made",
        f"{record.age_h:.0f} h after the first gas, sooner than most worts are done at this temperature",
    )
