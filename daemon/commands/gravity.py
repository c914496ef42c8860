"""`ullage gravity`: a sample by hand, corrected, into the journal; and what it says of the beer."""

import argparse
import shutil
import textwrap
from dataclasses import replace

from ullage.adapters.errors import ConfigError
from ullage.daemon.batch_summary import summarise, to_json
from ullage.daemon.batches import batch_at
from ullage.daemon.commands.common import load_config, open_store, system_clock
from ullage.daemon.gravity_report import report, samples_of
from ullage.daemon.gravity_text import gravity_text, parse_gravity
from ullage.daemon.local_time import LocalTime
from ullage.daemon.moments import parse_moment
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.daemon.times import local_text
from ullage.detectors.extract import sg_from_plato
from ullage.detectors.gravity import (
    GRAVITIES,
    WORT_CORRECTION,
    Instrument,
    hydrometer_gravity,
    refractometer_gravity,
)
from ullage.detectors.gravity_samples import GravitySample


def handle(options: argparse.Namespace) -> int:
    """Take a sample down and say what it means."""
    config = load_config(options)
    watched = config.watched(options.vessel)
    zone = LocalTime.named(config.timezone)
    now_s = system_clock().wall_s()
    time_s = now_s if options.at is None else parse_moment(options.at, zone, now_s, "--at")
    gravity, instrument = _measured(options)
    if not GRAVITIES[0] <= gravity <= GRAVITIES[1]:
        raise ConfigError(
            "GRAVITY",
            f"comes to {gravity:.3f}, and must lie between {GRAVITIES[0]:g} and {GRAVITIES[1]:g}",
            "measure once more",
        )
    name = watched.vessel.name
    with open_store(config, read_only=False) as store:
        text = f"gravity {gravity:.4f} {instrument.value}"
        number = store.add_entry(name, time_s, text, made_s=now_s)
        batch = batch_at(store, name, time_s)
        vessel = watched.vessel.carrying(None if batch is None else batch.wishes)
        samples = _samples(store, name, batch)
        if batch is not None and batch.ended_s is not None:
            summary = summarise(store, replace(watched, vessel=vessel), batch, now_s)
            batches.keep_summary(store, batch.id, to_json(summary))
    print(f"{name}: {gravity_text(gravity)} by {instrument} ({local_text(time_s, zone)}), entry {number}")
    if batch is not None and batch.ended_s is not None:
        print(f"  It belongs to batch {batch.id}, which has ended; its summary is made anew.")
    if vessel.original_gravity is None and options.original_brix is not None:
        wort = sg_from_plato(options.original_brix / WORT_CORRECTION)  # what the sample itself says of it
        vessel = replace(vessel, original_gravity=wort)
    width = max(40, shutil.get_terminal_size((80, 24)).columns)
    for line in report(vessel, gravity, samples):
        print(textwrap.fill(line, width, initial_indent="  ", subsequent_indent="    "))
    return 0


def _samples(store: Store, name: str, batch: StoredBatch | None) -> tuple[GravitySample, ...]:
    """Return the samples of one batch, or all there are since the last one."""
    if batch is None:
        last = batches.newest(store, name)
        return samples_of(store, name, None if last is None else last.ended_s)
    found = samples_of(store, name, batch.began_s)
    return found if batch.ended_s is None else tuple(s for s in found if s.time_s <= batch.ended_s)


def _measured(options: argparse.Namespace) -> tuple[float, Instrument]:
    """Return the gravity, corrected, and what it was measured with."""
    try:
        if options.brix is not None:
            if options.gravity is not None or options.temperature is not None:
                raise ConfigError("--brix", "takes the place of GRAVITY and --temperature", "give one")
            if options.original_brix is None:
                raise ConfigError(
                    "--brix",
                    "needs --original-brix",
                    "alcohol bends light too: the wort's own reading is needed",
                )
            gravity = refractometer_gravity(options.original_brix, options.brix)
            return gravity, Instrument.REFRACTOMETER
        if options.gravity is None:
            raise ConfigError(
                "GRAVITY", "is missing", "as in 1.012, 3.1P, or --brix 6.5 --original-brix 12.5"
            )
        if options.original_brix is not None:
            raise ConfigError("--original-brix", "goes with --brix", "leave it out for a hydrometer")
        shown = parse_gravity(options.gravity, "GRAVITY")
        return hydrometer_gravity(shown, options.temperature), Instrument.HYDROMETER
    except ValueError as error:
        raise ConfigError("", str(error)) from None
