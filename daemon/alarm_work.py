"""What the desk does, each operation written against a page: take events, acknowledge, shelve, remind."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ullage.daemon.alarm_page import Page, change
from ullage.daemon.alarm_settings import AlarmSettings
from ullage.daemon.alarm_states import Alarm, AlarmKey, AlarmState, Cause, Transition
from ullage.daemon.events import Event, EventKind, reminder
from ullage.daemon.flood import Flood, Hold
from ullage.detectors.finding import Priority

DETECTOR = "detector"
CLOCK = "clock"

_LIFE = (EventKind.RAISED, EventKind.CLEARED)


@dataclass(frozen=True, slots=True)
class Moment:
    """What operations need to know beside the page."""

    settings: AlarmSettings
    flood: Flood
    monotonic_s: float
    replayed: bool = False
    """Whether the events come from stored readings that were judged before: old ones are not told again."""


def take(page: Page, events: Iterable[Event], moment: Moment) -> None:
    """Lead alarms through their life and tell what is new."""
    for event in events:
        if event.kind is EventKind.NOTED:
            _note(page, event, moment)
        elif event.kind is EventKind.RAISED:
            _raise(page, event, moment)
        elif event.kind is EventKind.CLEARED:
            _clear(page, event, moment)


def _note(page: Page, event: Event, moment: Moment) -> None:
    if not page.known(event) and not _old(page, event, moment, (EventKind.NOTED,)):
        page.tell(event, hold_until_s=None, flood_first="")


def _raise(page: Page, event: Event, moment: Moment) -> None:
    found = page.alarm(event.alarm)
    if found.active:
        page.put(replace(found, value=event.value, limit=event.limit, unit=event.unit, text=event.text))
        return
    if page.known(event) or _old(page, event, moment, _LIFE):
        return
    shelved = page.shelf(found.key.shelf) is not None
    raised = replace(
        found,
        priority=event.priority,
        text=event.text,
        value=event.value,
        limit=event.limit,
        unit=event.unit,
        raised_s=event.time_s,
        told_s=page.now_s,
        tellings=0 if shelved else 1,
        acknowledged_s=None,
        acknowledged_by="",
        token=event.token,
    )
    change(page, raised, Cause.RAISED, DETECTOR, event.time_s)
    if shelved:
        page.keep(event)
        return
    hold = Hold()
    if event.priority is not Priority.CRITICAL:
        hold = moment.flood.mark(event, moment.monotonic_s, page.now_s)
    page.tell(event, hold_until_s=hold.until_s, flood_first=hold.first)


def _clear(page: Page, event: Event, moment: Moment) -> None:
    found = page.alarm(event.alarm)
    if not found.active or page.known(event) or _old(page, event, moment, _LIFE):
        return
    event = replace(event, priority=found.priority)
    change(page, found, Cause.CLEARED, DETECTOR, event.time_s)
    quiet = page.shelf(found.key.shelf) is not None or found.tellings == 0
    if quiet or not moment.settings.tell_cleared:
        page.keep(event)
        return
    hold = Hold()
    if event.priority is not Priority.CRITICAL:  # not before the digest that tells that it was raised
        hold = moment.flood.hold(moment.monotonic_s, page.now_s)
    page.tell(event, hold_until_s=hold.until_s, flood_first=hold.first)


def _old(page: Page, event: Event, moment: Moment, kinds: tuple[EventKind, ...]) -> bool:
    if not moment.replayed:
        return False
    newest_ms = page.newest_ms(event.alarm, kinds)
    return newest_ms is not None and event.key.time_ms <= newest_ms


def acknowledge(page: Page, vessel: str, condition: str | None, actor: str) -> list[Alarm]:
    """Acknowledge what stands; return the alarms as they are then."""
    changed = []
    for found in page.alarms_of(vessel, condition):
        after = change(page, found, Cause.ACKNOWLEDGED, actor, page.now_s)
        if after is not found:
            changed.append(after)
    return changed


def shelve(page: Page, shelf: tuple[str, str], until_s: float, actor: str) -> None:
    """Lay a shelf over a vessel's condition, or set a new end for the one that lies there."""
    page.put_shelf(shelf, until_s, actor)
    for key, state in _under(page, shelf):
        _log_shelf(page, key, state, Cause.SHELVED, actor)


def unshelve(page: Page, shelf: tuple[str, str], cause: Cause, actor: str) -> bool:
    """Take the shelf away and tell what still holds; return whether there was one."""
    if page.shelf(shelf) is None:
        return False
    page.put_shelf(shelf, None, actor)
    for key, state in _under(page, shelf):
        found = page.alarm(key)
        after = change(page, found, cause, actor, page.now_s)
        if after is found:
            _log_shelf(page, key, state, cause, actor)
        if after.active:
            _tell_again(page, after)
    return True


def _under(page: Page, shelf: tuple[str, str]) -> Sequence[tuple[AlarmKey, AlarmState]]:
    standing = [(found.key, found.state) for found in page.alarms_of(*shelf)]
    return standing or [(AlarmKey(*shelf), AlarmState.NORMAL)]


def _log_shelf(page: Page, key: AlarmKey, state: AlarmState, cause: Cause, actor: str) -> None:
    page.log(
        Transition(
            key=key,
            before=state,
            after=state,
            cause=cause,
            actor=actor,
            time_s=page.now_s,
            made_s=page.now_s,
        )
    )


def remind(page: Page, due: Iterable[tuple[AlarmKey, AlarmState]]) -> None:
    """Tell alarms again that are due in the state given; those that have left it meanwhile keep silent."""
    for key, state in due:
        found = page.alarm(key)
        if found.state is not state or page.shelf(key.shelf) is not None:
            continue
        if state is AlarmState.ACKNOWLEDGED:
            found = change(page, found, Cause.REALARMED, CLOCK, page.now_s)
        _tell_again(page, found)


def _tell_again(page: Page, found: Alarm) -> None:
    event = reminder(found, page.now_s)
    if not page.known(event):
        page.tell(event, hold_until_s=None, flood_first="")
        page.put(replace(found, told_s=page.now_s, tellings=found.tellings + 1))
