"""The one tree of exceptions. It stands in the lowest package that needs it.

    UllageError
    ├── ConfigError     wrong use or wrong configuration        exit 2
    ├── DataError       a file or payload that can't be used    exit 1
    ├── SourceError     a sensor, port or broker out of reach   exit 1
    └── StoreError      the database                            exit 1

Detectors raise none of these: they take values that have been checked, and a `ValueError` from them is a
programmer's slip.
"""


def harmless(text: str) -> str:
    r"""Return the text with what a terminal would obey written out; line breaks stay, since several sentences have them.

    Names in files, variables and payloads come from elsewhere and end up in sentences.

    Examples
    --------
    >>> harmless("no column 'a\x1b[2J'")
    "no column 'a\\x1b[2J'"
    """
    if text.isprintable():
        return text
    return "".join(
        sign
        if sign.isprintable() or sign == "\n"
        else sign.encode("unicode_escape", "surrogatepass").decode()
        for sign in text
    )


class UllageError(Exception):
    """Root of the tree: one plain sentence that says what to change.

    Parameters
    ----------
    subject
        What it is about: a file with line, a config key, a source, a target (never a secret).
    detail
        What is wrong, with value, unit and limit where there is one.
    hint
        What to do about it; may be empty.
    """

    exit_code = 1
    retryable = False

    def __init__(self, subject: str, detail: str, hint: str = "") -> None:
        super().__init__(subject, detail, hint)
        self.subject = subject
        self.detail = detail
        self.hint = hint

    def __str__(self) -> str:
        sentence = f"{self.subject}: {self.detail}" if self.subject else self.detail
        return harmless(f"{sentence}; {self.hint}" if self.hint else sentence)


class ConfigError(UllageError):
    """Wrong use or a configuration that can't be right."""

    exit_code = 2


class DataError(UllageError):
    """A file or payload that can't be used."""


class SourceError(UllageError):
    """A sensor, port or broker that does not answer."""

    retryable = True


class StoreError(UllageError):
    """The database refuses or is out of reach."""

    retryable = True
