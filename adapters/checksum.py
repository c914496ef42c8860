"""The checksum that a line may end in: `*HH`, all characters before it combined by exclusive or.

Common practice among instruments on serial lines; a `$` that starts the line does not count.
"""

import re
from functools import reduce
from operator import xor

from ullage.adapters.payload import RefusedError
from ullage.adapters.reading import Reason

_TAIL = re.compile(rb"\*([0-9A-Fa-f]{2})$")


def line_checksum(content: bytes) -> int:
    """Return the exclusive or of the bytes, less a leading `$`.

    Examples
    --------
    >>> f"{line_checksum(b'AB'):02X}"
    '03'
    """
    return reduce(xor, content.removeprefix(b"$"), 0)


class ChecksumRule:
    """Checks lines, and remembers that a port sends checksums: from then on a line without one is damaged.

    Parameters
    ----------
    mode
        `auto`, `required` or `off`.
    """

    def __init__(self, mode: str) -> None:
        self._looks = mode != "off"
        self._requires = mode == "required"

    def strip(self, line: bytes) -> bytes:
        """Return the line without its checksum.

        Raises
        ------
        RefusedError
            If the checksum is wrong, or missing where it is required.
        """
        if not self._looks:
            return line
        tail = _TAIL.search(line)
        if tail is None:
            if self._requires:
                raise RefusedError(
                    Reason.UNDECODABLE, "the line has no checksum, though this port sends them"
                )
            return line
        content = line[: tail.start()]
        wanted, found = int(tail[1], 16), line_checksum(content)
        if wanted != found:
            raise RefusedError(
                Reason.UNDECODABLE, f"the checksum is {wanted:02X}, the line adds up to {found:02X}"
            )
        self._requires = True
        return content
