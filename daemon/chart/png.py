"""The same drawing as a still picture, for a message or a print; needs the extra `png`."""

import importlib.util
from pathlib import Path

from ullage.adapters.errors import ConfigError, DataError

_PLACES = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/usr/share/fonts/truetype/noto/NotoSans-Regular.ttf",
    "/usr/share/fonts/truetype/liberation/LiberationSans-Regular.ttf",
    "/usr/share/fonts/truetype/roboto/unhinted/RobotoTTF/Roboto-Regular.ttf",
)
"""Where Debian's packages put a font with all signs that a chart uses."""


def fonts() -> tuple[str, ...]:
    """Return font files: that of the extra `png`, else the system's.

    Raises
    ------
    ConfigError
        If there is none: the picture would come out without a single word and no error.
    """
    found = importlib.util.find_spec("font_roboto")
    if found is not None and found.submodule_search_locations:
        folder = Path(next(iter(found.submodule_search_locations)))
        inside = sorted(
            str(path)
            for path in folder.rglob("Roboto-*.ttf")
            if path.stem in ("Roboto-Regular", "Roboto-Bold")
        )
        if inside:
            return tuple(inside)
    system = tuple(path for path in _PLACES if Path(path).is_file())
    if system:
        return system
    raise ConfigError("png", "needs a font and finds none", "install '.[png]', or Debian's fonts-dejavu-core")


def to_png(svg: str, *, width: int, background: str = "#fbfaf6") -> bytes:
    """Return the picture as PNG.

    Parameters
    ----------
    svg
        A chart drawn with a fixed theme: the renderer knows no custom properties.
    width
        Pixels.
    background
        Colour of the paper.

    Raises
    ------
    ConfigError
        If the extra `png` is not installed or no font is found.
    DataError
        If the picture can't be rendered.
    """
    if importlib.util.find_spec("resvg_py") is None:
        raise ConfigError("png", "needs the extra `png`", "pip install '.[png]'")
    import resvg_py

    files = fonts()
    family = "Roboto" if "Roboto" in files[0] else "DejaVu Sans" if "DejaVu" in files[0] else None
    try:
        return bytes(
            resvg_py.svg_to_bytes(
                svg_string=svg,
                width=width,
                background=background,
                skip_system_fonts=True,
                font_files=list(files),
                font_family=family,
                sans_serif_family=family,
            )
        )
    except ValueError as error:
        raise DataError("picture", f"can't be rendered ({error})") from error
