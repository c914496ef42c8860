"""One vessel of one log with many settings: condensed by a true replay, then tried; equal to whole replays, and checked.

The replay that condenses the log uses the settings as configured. The same settings go through the shortcut as well, and
must come out the same; should they ever not, every setting is replayed whole, which is slow and right.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.replaying import Judged, Replayed, replay
from ullage.daemon.tune.condensed import Condensing, Segment, separable
from ullage.daemon.tune.grid import Variant
from ullage.daemon.tune.lockstep import Lockstep, distinct
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding
from ullage.detectors.frozen import Frozen
from ullage.detectors.registry import REGISTERED


@dataclass(frozen=True, slots=True)
class Condensed:
    """One vessel of a log, condensed for a grid of settings."""

    segments: tuple[Segment, ...]
    sound: bool
    """Whether the shortcut gave what the true replay gave."""


Findings = tuple[Finding, ...]


def condense(
    pairs: Sequence[Replayed], variants: Sequence[Variant], judged: Judged | None = None
) -> tuple[Condensed, ...]:
    """Replay a log once and return each vessel condensed, in the order of `pairs`."""
    made: dict[str, list[Condensing]] = {}

    def observe(pair: Replayed) -> Sequence[Detector]:
        settings = [pair.watched.detectors, *(v.applied(pair.watched.detectors) for v in variants)]
        kinds = {kind.name: distinct(settings, kind.name)[0] for kind in REGISTERED}
        one = Condensing(pair.watched.vessel.carrying(pair.watched.vessel.batch), kinds)
        made.setdefault(pair.watched.vessel.name, []).append(one)
        return (one,)

    true = list(replay(pairs, judged, observe))
    found = []
    for pair in pairs:
        name = pair.watched.vessel.name
        segments = tuple(one.segment for one in made[name])
        own = tuple(finding for finding in true if finding.vessel == name)
        sound = separable() and same(_tried(segments, pair.watched, variants, (Variant(),))[0], own)
        found.append(Condensed(segments, sound))
    return tuple(found)


def try_variants(
    condensed: Condensed, watched: WatchedVessel, variants: Sequence[Variant], some: Sequence[Variant]
) -> tuple[Findings, ...]:
    """Return what each of `some` finds; `variants` is the grid that the log was condensed for.

    Raises
    ------
    ValueError
        If the shortcut is not sound for this log: see `replay_whole`.
    """
    if not condensed.sound:
        raise ValueError("this log must be replayed whole")
    return _tried(condensed.segments, watched, variants, some)


def replay_whole(pair: Replayed, pairs: Sequence[Replayed], variant: Variant) -> Findings:
    """Return what a variant finds for one vessel by a true replay of the log."""
    changed = [
        replace(p, watched=replace(p.watched, detectors=variant.applied(p.watched.detectors)))
        if p is pair
        else p
        for p in pairs
    ]
    return tuple(f for f in replay(changed) if f.vessel == pair.watched.vessel.name)


def same(some: Sequence[Finding], others: Sequence[Finding]) -> bool:
    """Tell whether the findings are the same, whatever the order within a moment."""
    return sorted(some, key=repr) == sorted(others, key=repr)


def _tried(
    segments: Sequence[Segment], watched: WatchedVessel, variants: Sequence[Variant], some: Sequence[Variant]
) -> tuple[Findings, ...]:
    """Put together what looking at raw samples found and what the slow detectors find in step."""
    every = [watched.detectors, *(v.applied(watched.detectors) for v in variants)]
    wanted = [v.applied(watched.detectors) for v in some]
    places = [every.index(settings) for settings in wanted]
    found: list[list[Finding]] = [[] for _ in some]
    frozen = distinct(every, Frozen.name)[1]
    numbers = {kind.name: distinct(every, kind.name)[1] for kind in REGISTERED}
    for segment in segments:
        slow = Lockstep(segment, wanted, [frozen[place] for place in places]).run()
        for index, place in enumerate(places):
            found[index] += slow[index]
            for name, number in segment.looked:
                if numbers[name][place] == number:
                    found[index] += segment.looked[name, number]
    return tuple(tuple(sorted(part, key=lambda finding: finding.time_s)) for part in found)
