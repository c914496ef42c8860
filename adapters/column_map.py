"""Says which column of a wide CSV file is which quantity, in what unit: `time=time,temperature=temp_c:Cel`."""

from dataclasses import dataclass
from difflib import get_close_matches

from ullage.adapters.channel import Reference
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.reading import Quantity
from ullage.adapters.units import STANDARD_ATMOSPHERE_BAR, Conversion, conversion, units_of

_TIME_UNITS = ("", "s", "ms")
_EXAMPLE = "write it like time=time,temperature=temp_c:Cel,pressure=p:kPa:absolute"


@dataclass(frozen=True, slots=True)
class MappedColumn:
    """One column of values."""

    quantity: Quantity
    column: str
    unit: str
    reference: Reference = Reference.GAUGE


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """What the columns of a wide file mean.

    Parameters
    ----------
    vessel
        The vessel that the file is about.
    time_column, time_unit
        The column of the times; unit empty for RFC 3339, `s` or `ms` for Unix time.
    columns
        The columns of values.
    air_pressure_bar
        Subtracted from pressures that are declared absolute.
    """

    vessel: str
    time_column: str
    columns: tuple[MappedColumn, ...]
    time_unit: str = ""
    air_pressure_bar: float = STANDARD_ATMOSPHERE_BAR

    @staticmethod
    def parse(text: str, *, vessel: str, air_pressure_bar: float = STANDARD_ATMOSPHERE_BAR) -> "ColumnMap":
        """Read a map as given on the command line: `quantity=column[:unit[:absolute]]`, comma between them.

        A unit left out is the canonical one; `time=column:s` and `:ms` declare Unix time.

        Raises
        ------
        ConfigError
            If a part can't be understood, is given twice, or time or every value is missing.
        """
        if not vessel:
            raise ConfigError("--map", "does not say which vessel the file is about", "add --vessel NAME")
        time: tuple[str, str] | None = None
        columns: list[MappedColumn] = []
        for part in text.split(","):
            name, equals, target = part.strip().partition("=")
            column, *rest = [piece.strip() for piece in target.split(":")]
            if not equals or not column or len(rest) > 2:
                raise ConfigError("--map", f"{part.strip()[:60]!r} is not quantity=column:unit", _EXAMPLE)
            if name == "time":
                if time is not None:
                    raise ConfigError("--map", "time is given twice", _EXAMPLE)
                time = (column, _time_unit(rest))
            else:
                columns.append(_mapped(name, column, rest))
        if time is None or not columns:
            missing = "time" if time is None else "any quantity"
            raise ConfigError("--map", f"{text[:60]!r} does not name {missing}", _EXAMPLE)
        twice = {c.quantity for c in columns if sum(c.quantity == d.quantity for d in columns) > 1}
        if twice:
            raise ConfigError(
                "--map", f"{min(twice)} is given twice", "a file holds one column for each quantity"
            )
        return ColumnMap(
            vessel=vessel,
            time_column=time[0],
            time_unit=time[1],
            columns=tuple(columns),
            air_pressure_bar=air_pressure_bar,
        )

    def conversion_of(self, mapped: MappedColumn) -> Conversion:
        """Return how the numbers of a column become canonical."""
        return conversion(
            mapped.quantity, mapped.unit, reference=mapped.reference, air_pressure_bar=self.air_pressure_bar
        )

    def index_of(self, column: str, names: list[str]) -> int:
        """Return where a column stands in the header.

        Raises
        ------
        ConfigError
            If the header has no such column, or more than one.
        """
        if names.count(column) == 1:
            return names.index(column)
        if column in names:
            raise ConfigError(
                "--map", f"the file has column {column[:60]!r} more than once", "rename one in the file"
            )
        close = get_close_matches(column, names, n=1)
        hint = (
            f"did you mean {close[0][:60]!r}?"
            if close
            else "it has " + ", ".join(names)[:200].replace("\n", " ")
        )
        raise ConfigError("--map", f"the file has no column {column[:60]!r}", hint)


def _time_unit(rest: list[str]) -> str:
    unit = rest[0] if rest else ""
    if unit not in _TIME_UNITS or len(rest) > 1:
        raise ConfigError(
            "--map", f"time unit {':'.join(rest)[:60]!r} is none of s, ms", "leave it out for RFC 3339"
        )
    return unit


def _mapped(name: str, column: str, rest: list[str]) -> MappedColumn:
    try:
        quantity = Quantity(name)
    except ValueError:
        wanted = ", ".join(["time", *Quantity])
        raise ConfigError("--map", f"{name[:60]!r} is none of {wanted}", _EXAMPLE) from None
    unit = rest[0] if rest and rest[0] else units_of(quantity)[0]
    try:
        conversion(quantity, unit)
        reference = Reference(rest[1]) if len(rest) > 1 else Reference.GAUGE
    except DataError as error:
        raise ConfigError("--map", f"{name}: {error.subject} {error.detail}", error.hint) from error
    except ValueError:
        raise ConfigError(
            "--map", f"{name}: {rest[1][:60]!r} is neither gauge nor absolute", _EXAMPLE
        ) from None
    if reference is Reference.ABSOLUTE and quantity is not Quantity.PRESSURE:
        raise ConfigError("--map", f"{name} can't be absolute", "only a pressure is gauge or absolute")
    return MappedColumn(quantity, column, unit, reference)
