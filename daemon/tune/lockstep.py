"""Many settings of the slow detectors over one condensed log, in step with each other and sharing what they can.

The record of a batch (valve, thermometer, table of frames) is the same for all settings but for what the detectors
conclude: when gas began, when the end was told, which rates were measured. So one record is kept for each setting of the
detector that marks the beginning, on which the record's zero depends; the conclusions of each group of settings are put
into it before that group's detectors look, and taken out afterwards. Fits over the same window are made once.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from ullage.daemon.tune.condensed import Framed, Segment, Settings, frame_detectors
from ullage.detectors.advising import advised
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.production import Production
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.tail import RateHistory
from ullage.detectors.vessel import Vessel

CONCLUSIONS = (
    "activity_s",
    "joined_late",
    "finished_s",
    "over_since_s",
    "suspected_s",
    "overruled_s",
    "stages",
    "next_step",
    "steepest_g_per_l_day",
    "rates",
    "production",
)
"""What detectors write into the record. `production` is also taken out by the record itself, with each frame."""
WRITERS = ("activity", "ending", "waits")
"""Detectors that write conclusions, besides `frozen`, which looks at raw samples."""
READ_ONLY_ACTIVITY = ("leak", "pressure_low", "chilled")
"""Detectors that read no conclusion but when gas began."""


class SharedRecord(Record):
    """A record that several settings look at: each fit is made once a frame."""

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self._fits: dict[tuple[float, float], Production | None] = {}

    def take(self, frame: Frame) -> None:
        """Take one frame."""
        self._fits.clear()
        super().take(frame)

    def enter(self, entry: Entry) -> None:
        """Take one entry; it may change what a fit is made of."""
        self._fits.clear()
        super().enter(entry)

    def production_over(self, start_s: float, hours: float) -> Production | None:
        """Return the production over the last hours of a shut stretch."""
        key = (start_s, hours)
        if key not in self._fits:
            self._fits[key] = super().production_over(start_s, hours)
        return self._fits[key]


_MARK = Production(
    rate_g_per_l_day=0.0, se_g_per_l_day=0.0, hours=0.0, start_s=0.0, end_s=0.0, residual_sd_bar=0.0
)


@dataclass(slots=True)
class _Seat:
    """A detector with one setting, and what it has found."""

    detector: Detector
    found: list[Finding] = field(default_factory=list)
    failed: bool = False


@dataclass(slots=True)
class _Group:
    """Settings that share every conclusion: their detectors in the order of registration."""

    frozen: int
    conclusions: dict[str, object]
    seats: dict[tuple[str, int], _Seat] = field(default_factory=dict)


class Lockstep:
    """Runs the slow detectors of many settings over one segment.

    Parameters
    ----------
    segment
        The condensed log.
    variants
        The composed settings to try.
    frozen
        For each of them the number of its frozen-sensor settings within the segment's frames.
    """

    def __init__(self, segment: Segment, variants: Sequence[Settings], frozen: Sequence[int]) -> None:
        self._segment = segment
        self._kinds = frame_detectors()
        self._numbers = {kind.name: _numbered([v[kind.name] for v in variants]) for kind in self._kinds}
        self._records: dict[int, SharedRecord] = {}
        self._groups: dict[int, dict[tuple[int, ...], _Group]] = {}
        self._alone: dict[tuple[str, int, int], _Seat] = {}
        self._seats: list[list[_Seat]] = []
        for place, variant in enumerate(variants):
            self._seats.append(self._seated(place, variant, frozen[place]))

    def run(self) -> tuple[list[Finding], ...]:
        """Return what each variant's slow detectors find, in no particular order."""
        for item in self._segment.items:
            if isinstance(item, Framed):
                self._frame(item)
            elif isinstance(item, Entry):
                self._entry(item)
            else:
                self._offer(item)
        return tuple([f for seat in seats for f in seat.found] for seats in self._seats)

    def _seated(self, place: int, variant: Settings, frozen: int) -> list[_Seat]:
        """Give a variant its detectors, shared with others wherever they can't differ."""
        own = {name: numbers[place] for name, numbers in self._numbers.items()}
        activity = own["activity"]
        if activity not in self._records:
            self._records[activity] = SharedRecord(self._segment.vessel)
            self._groups[activity] = {}
        key = (frozen, *(own[name] for name in WRITERS))
        record = self._records[activity]
        groups = self._groups[activity]
        if key not in groups:
            conclusions = {name: getattr(record, name) for name in CONCLUSIONS}
            groups[key] = _Group(frozen, conclusions | {"rates": RateHistory()})
        group = groups[key]
        seats = []
        for kind in self._kinds:
            name = kind.name
            where: dict[tuple[str, int, int], _Seat] | None = None
            if name in READ_ONLY_ACTIVITY:
                alone = (name, own[name], activity)
                where = self._alone
                if alone in where:
                    seats.append(where[alone])
                    continue
            seat = group.seats.get((name, own[name]))
            if seat is None:
                seat = _Seat(kind(self._segment.vessel, variant[name]))  # type: ignore[call-arg]
                group.seats[name, own[name]] = seat
                group.seats = dict(sorted(group.seats.items(), key=self._order))
            if where is not None:
                where[name, own[name], activity] = seat
            seats.append(seat)
        return seats

    def _order(self, item: tuple[tuple[str, int], _Seat]) -> tuple[int, int]:
        (name, number), _ = item
        return [kind.name for kind in self._kinds].index(name), number

    def _frame(self, framed: Framed) -> None:
        for activity, record in self._records.items():
            groups = self._groups[activity].values()
            forgotten = self._take(record, framed.frame, groups)
            for group in groups:
                record.frozen = framed.frozen[group.frozen]
                if forgotten:
                    group.conclusions["production"] = None
                self._put(record, group)
                for seat in group.seats.values():
                    if not seat.failed:
                        self._look(seat, framed.frame, record)
                self._get(record, group)

    @staticmethod
    def _look(seat: _Seat, frame: Frame, record: Record) -> None:
        try:
            told = seat.detector.frame(frame, record)
        except Exception:  # noqa: BLE001 - left out from then on, as the watch does
            seat.failed = True
        else:
            seat.found += [advised(finding, record) for finding in told]

    @staticmethod
    def _take(record: SharedRecord, frame: Frame, groups: Iterable[_Group]) -> bool:
        """Let a record take a frame; tell whether it has thereby forgotten the production."""
        # the record's zero depends on whether gas has begun, which all groups of this record agree upon
        for group in groups:
            record.activity_s = group.conclusions["activity_s"]  # type: ignore[assignment]
            break
        record.production = _MARK
        record.take(frame)
        return record.production is not _MARK

    def _entry(self, entry: Entry) -> None:
        for activity, record in self._records.items():
            record.enter(entry)
            for group in self._groups[activity].values():
                self._put(record, group)
                for seat in group.seats.values():
                    if not seat.failed:
                        try:
                            seat.found += seat.detector.entry(entry, record)
                        except Exception:  # noqa: BLE001
                            seat.failed = True
                self._get(record, group)

    def _offer(self, samples: Samples) -> None:
        for record in self._records.values():
            record.offer(samples)

    @staticmethod
    def _put(record: SharedRecord, group: _Group) -> None:
        for name, value in group.conclusions.items():
            setattr(record, name, value)

    @staticmethod
    def _get(record: SharedRecord, group: _Group) -> None:
        for name in CONCLUSIONS:
            group.conclusions[name] = getattr(record, name)


def _numbered(settings: Sequence[object]) -> list[int]:
    """Return for each of the settings the number of the first that equals it."""
    known: dict[object, int] = {}
    return [known.setdefault(one, len(known)) for one in settings]


def distinct(variants: Sequence[Settings], name: str) -> tuple[list[object], list[int]]:
    """Return the distinct settings of a detector, and for each variant the number of its own among them."""
    known: dict[object, int] = {}
    numbers = [known.setdefault(variant[name], len(known)) for variant in variants]
    return list(known), numbers
