"""JSON Pointer: where in a document a value stands (RFC 6901).

>>> JsonPointer("/probes/0/beer").resolve({"probes": [{"beer": 18.4}]})
18.4
"""

import re

from ullage.adapters.errors import DataError

_INDEX = re.compile(r"0|[1-9][0-9]*", re.ASCII)
_BAD_ESCAPE = re.compile(r"~(?![01])")


class JsonPointer:
    """A pointer taken apart once, to be resolved against many documents.

    Parameters
    ----------
    text
        Empty for the whole document, else `/` and reference tokens; `~1` stands for `/` and `~0` for `~`.

    Raises
    ------
    DataError
        If the text is not a pointer.
    """

    __slots__ = ("_tokens", "text")

    def __init__(self, text: str) -> None:
        if text and not text.startswith("/"):
            raise DataError(f"pointer {text!r}", "must be empty or start with /", f"write /{text}")
        if _BAD_ESCAPE.search(text):
            raise DataError(
                f"pointer {text!r}", "has a ~ that is neither ~0 nor ~1", "write ~0 for a plain ~"
            )
        self.text = text
        # ~1 before ~0, or "~01" would become "/" (section 4)
        self._tokens = tuple(token.replace("~1", "/").replace("~0", "~") for token in text.split("/")[1:])

    def resolve(self, document: object) -> object:
        """Return the value that the pointer names.

        Raises
        ------
        DataError
            If the document has no such place; `-`, the element after the last, never exists on reading.
        """
        place = document
        for token in self._tokens:
            if isinstance(place, dict):
                if token not in place:
                    raise self._nowhere(f"has no member {token!r}")
                place = place[token]
            elif isinstance(place, list):
                # a payload is at most 16 KiB, so longer indices can't hit and need no conversion
                if not _INDEX.fullmatch(token) or len(token) > 6 or int(token) >= len(place):
                    raise self._nowhere(f"has no element {token!r}")
                place = place[int(token)]
            else:
                raise self._nowhere(f"has nothing below a plain value at {token!r}")
        return place

    def _nowhere(self, detail: str) -> DataError:
        return DataError(f"pointer {self.text!r}", f"finds nothing: the payload {detail}")
