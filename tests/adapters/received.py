"""What tests of sources need: a place where deliveries arrive, and waiting for conditions instead of sleeping."""

import threading
import time
from collections.abc import Callable

from ullage.adapters.reading import Delivery, Reading, Refusal


class SystemClock:
    """The machine's clocks."""

    def wall_s(self) -> float:
        return time.time()

    def monotonic_s(self) -> float:
        return time.monotonic()


def wait_until(condition: Callable[[], bool], what: str, timeout_s: float = 60.0) -> None:
    """Wait until a condition holds; fail with `what` if it does not come true in time."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            raise AssertionError(f"did not happen within {timeout_s:g} s: {what}")
        time.sleep(0.005)


class Received:
    """Takes deliveries as the pipeline would and keeps them.

    Parameters
    ----------
    acknowledging
        Whether each is acknowledged at once.
    """

    def __init__(self, *, acknowledging: bool = True) -> None:
        self.deliveries: list[Delivery] = []
        self.acknowledging = acknowledging
        self.gate = threading.Event()
        """Cleared, it makes `take` block as a full pipeline does."""
        self.gate.set()

    def take(self, delivery: Delivery) -> None:
        self.gate.wait()
        self.deliveries.append(delivery)
        if self.acknowledging:
            delivery.acknowledge()

    @property
    def readings(self) -> list[Reading]:
        return [reading for delivery in tuple(self.deliveries) for reading in delivery.readings]

    @property
    def refusals(self) -> list[Refusal]:
        return [refusal for delivery in tuple(self.deliveries) for refusal in delivery.refusals]

    @property
    def values(self) -> list[float]:
        return [reading.value for reading in self.readings]

    def wait_for_readings(self, count: int, timeout_s: float = 60.0) -> None:
        wait_until(
            lambda: len(self.readings) >= count, f"{count} readings, got {len(self.readings)}", timeout_s
        )

    def wait_for_refusals(self, count: int, timeout_s: float = 60.0) -> None:
        wait_until(lambda: len(self.refusals) >= count, f"{count} refusals, got {self.refusals}", timeout_s)
