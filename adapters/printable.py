"""Other people's bytes as text that may stand in a log and on a terminal."""

RAW_BYTES = 80
"""How much of a refused payload is shown."""
START_BYTES = RAW_BYTES + 1
"""How much of it has to be kept for that: one byte more tells that there was more."""


def printable(payload: bytes) -> str:
    """Return the start of a payload as text that is safe in a log and on a terminal."""
    start = payload[:RAW_BYTES].decode("utf-8", "backslashreplace")
    shown = start
    if not start.isprintable():
        shown = "".join(
            mark if mark.isprintable() else mark.encode("unicode_escape").decode() for mark in start
        )
    return shown + ("…" if len(payload) > RAW_BYTES else "")
