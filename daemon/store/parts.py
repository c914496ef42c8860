"""What partitions of packed readings have in common, whoever makes them: a span of one week each."""

from dataclasses import dataclass

SPAN_MS = 7 * 86_400_000
"""Long enough that 400 days are some sixty partitions, which every query may look through, and short enough that little
more is kept than asked for. Weeks begin on Thursdays, as the epoch did, and hold whole windows of readings."""


@dataclass(frozen=True, slots=True)
class Part:
    """One partition of packed readings."""

    name: str
    """Its table."""
    start_ms: int
    """First millisecond in it."""
    stop_ms: int
    """First millisecond after it."""
