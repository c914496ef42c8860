"""SVG as text: elements with everything escaped, and numbers no longer than a picture needs."""

from html import escape

_CONTROL = {code: None for code in (*range(32), *range(127, 160)) if code not in (9, 10, 13)}
"""XML 1.0 knows no way to write these."""


def tag(name: str, /, *content: str, **attributes: object) -> str:
    """Return an element; attributes that are None are left out, `_` in their names stands for `-`.

    Parameters
    ----------
    name
        The element's name.
    content
        Elements or text that is escaped already (`words` does it).
    attributes
        Numbers are written with one digit after the point; `class_` stands for `class`.
    """
    said = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{_attribute(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(content)
    return f"<{name}{said}>{inner}</{name}>" if inner else f"<{name}{said}/>"


def words(text: str) -> str:
    """Return text as it may stand between tags."""
    return escape(clean(text), quote=False)


def clean(text: str) -> str:
    """Return text without what XML can't hold: control characters and lone surrogates."""
    return text.translate(_CONTROL).encode("utf-8", "replace").decode("utf-8")


def number(value: float) -> str:
    """Write a coordinate."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def _attribute(value: object) -> str:
    return number(value) if isinstance(value, float) else escape(clean(str(value)), quote=True)
