"""Batches that the daemon recorded itself, taken from the database to be tuned on."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ullage.adapters.errors import ConfigError
from ullage.adapters.log_format import JournalRow, VesselLog
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.settings import Config
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.daemon.tune.work import LogJob
from ullage.detectors.journal import Word, understand

_Span = tuple[str, float | None, float | None, WatchedVessel]
"""Name, beginning, end, and the vessel with that batch's wishes."""


def stored_jobs(config: Config, vessel: str, wanted: str) -> tuple[LogJob, ...]:
    """Return one job for each batch wanted.

    Parameters
    ----------
    config
        The configuration.
    vessel
        The vessel's name.
    wanted
        `last`, `all`, or a batch's number or name.

    Raises
    ------
    ConfigError
        If there is no such vessel or batch.
    StoreError
        If the database refuses.
    """
    watched = config.watched(vessel)
    settings = config.store
    with Store.open(settings.url, read_only=True, busy_timeout_s=settings.busy_timeout_s) as store:
        known = batches.all_batches(store, vessel)
        if not known:
            spans: list[_Span] = [("recorded", _since_last_pitching(store, vessel), None, watched)]
        else:
            spans = [
                (f"batch {one.id}{f' {one.wishes.name}' if one.wishes.name else ''}", one.began_s, one.ended_s,
                 replace(watched, vessel=watched.vessel.carrying(one.wishes)))
                for one in _chosen(known, wanted)
            ]  # fmt: skip
        jobs = [_job(store, name, start_s, end_s, one) for name, start_s, end_s, one in spans]
    return tuple(jobs)


def _chosen(known: Sequence[StoredBatch], wanted: str) -> Sequence[StoredBatch]:
    ordered = sorted(known, key=lambda one: one.began_s)
    if wanted == "all":
        return ordered
    if wanted == "last":
        return ordered[-1:]
    found = [one for one in ordered if wanted in (str(one.id), one.wishes.name)]
    if not found:
        there = ", ".join(f"{one.id}{f' {one.wishes.name}' if one.wishes.name else ''}" for one in ordered)
        raise ConfigError(
            "--batch", f"there is no batch {wanted!r}", f"there are {there}; or say last, or all"
        )
    return found


def _since_last_pitching(store: Store, vessel: str) -> float | None:
    pitched = [
        entry.time_s
        for entry in store.entries(vessel)
        if (known := understand(entry.text)) is not None and known.word is Word.PITCHED
    ]
    return pitched[-1] if pitched else None


def _job(
    store: Store, name: str, start_s: float | None, end_s: float | None, watched: WatchedVessel
) -> LogJob:
    vessel = watched.vessel.name
    columns = store.samples(vessel, start_s, end_s)
    if not len(columns.time_s):
        raise ConfigError("--from-store", f"nothing is stored for {vessel!r} in that time")
    order = np.argsort(columns.time_s, kind="stable")
    entries = tuple(
        JournalRow(entry.time_s, entry.text)
        for entry in store.entries(vessel, start_s, end_s)
        if (known := understand(entry.text)) is None
        or known.word not in (Word.BATCH_STARTED, Word.BATCH_ENDED)
    )
    log = VesselLog(
        name=vessel,
        time_s=columns.time_s[order],
        kind=columns.kind[order],
        value=columns.value[order],
        entries=entries,
    )
    return LogJob(name=f"{vessel}, {name}", path=None, log=log, vessels=(watched,), names=())
