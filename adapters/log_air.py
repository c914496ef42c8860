"""How the air around a vessel stands in a log, whose words for quantities are four: as the temperature of `north/air`."""

_SUFFIX = "/air"


def air_of(vessel: str) -> str:
    """Return the name under which the air around a vessel stands in a log."""
    return vessel + _SUFFIX


def stands_in(name: str) -> str | None:
    """Return the vessel whose air a name of the log means, None if it means no air."""
    vessel = name.removesuffix(_SUFFIX)
    return vessel if vessel and vessel != name else None
