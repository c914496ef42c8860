"""What a vessel's valve is to be cautioned of, by what the database knows: its setting, and the level that it holds."""

from collections.abc import Sequence

from ullage.daemon.events import Event
from ullage.daemon.store.journal import JournalEntry
from ullage.detectors.finding import Condition
from ullage.detectors.journal import Word, understand
from ullage.detectors.plate import held_caution, set_caution
from ullage.detectors.vessel import Vessel


def valve_cautions(
    vessel: Vessel, entries: Sequence[JournalEntry], events: Sequence[Event]
) -> tuple[str, ...]:
    """Return what to say of the valve.

    Parameters
    ----------
    vessel
        With its plate, and the setting of the configuration.
    entries
        Of the batch's journal, oldest first: the last setting counts, and none while the valve is wound shut.
    events
        Of the batch, newest first: the level held last counts, unless the valve was set or shut since.
    """
    set_bar, shut, turned_s = vessel.valve_pressure_bar, False, float("-inf")
    for entry in entries:
        known = understand(entry.text)
        if known is None or known.word not in (Word.VALVE_SET, Word.VALVE_SHUT, Word.VALVE_OPENED):
            continue
        turned_s = entry.time_s
        shut = known.word is Word.VALVE_SHUT
        if known.word is Word.VALVE_SET and known.number is not None:
            set_bar = known.number
    held = next((event for event in events if event.alarm.condition == Condition.HELD.value), None)
    held_bar = held.value if held is not None and held.time_s > turned_s else None
    found = (held_caution(vessel, held_bar), "" if shut else set_caution(vessel, set_bar))
    return tuple(caution for caution in found if caution)
