"""Everything that watches one vessel: gate, condenser and detectors, fed with the same calls live and in replay."""

from collections.abc import Mapping

from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.vessel import Vessel


class VesselWatch:
    """All detectors of one vessel. State is bounded and the object may be pickled at any moment.

    Feed it with `update` (samples in order of arrival), `enter` (journal entries at their place in the stream) and
    `tick` (time passes though nothing arrives). Each call returns its findings sorted by time. How the stream is
    cut into calls changes nothing.

    Parameters
    ----------
    vessel
        The vessel.
    settings
        Composed by `ullage.detectors.registry.compose`: detector name to its settings.
    """

    def __init__(self, vessel: Vessel, settings: Mapping[str, object] | None = None) -> None:
        self.vessel = vessel
        self._over = 0
        self._raised = False

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        """Take samples in order of arrival; return what they show."""
        found: list[Finding] = []
        for t, kind, value in zip(
            samples.time_s.tolist(), samples.kind.tolist(), samples.value.tolist(), strict=True
        ):
            if kind != Kind.PRESSURE:
                continue
            over = value > self.vessel.rated_pressure_bar
            self._over = self._over + 1 if over else 0
            if self._over >= 2 and not self._raised or self._raised and not over:
                self._raised = not self._raised
                found.append(
                    Finding(
                        time_s=t,
                        vessel=self.vessel.name,
                        condition=Condition.OVER_PRESSURE,
                        state=State.RAISED if self._raised else State.CLEARED,
                        priority=Priority.CRITICAL,
                        text="",
                        value=value,
                        limit=self.vessel.rated_pressure_bar,
                        unit="bar",
                    )
                )
        return tuple(found)

    def enter(self, entry: Entry) -> tuple[Finding, ...]:
        """Take a journal entry."""
        return ()

    def tick(self, now_s: float) -> tuple[Finding, ...]:
        """Note that time has come to `now_s`, whether or not anything arrived."""
        return ()
