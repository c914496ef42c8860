"""`ullage carbonation` as a process, against printed chart cells, a published fit and a units library."""

import itertools
import math
import re

import pint
import pytest

from tests.daemon.program import sentences, ullage
from ullage.daemon.cli import main
from ullage.daemon.commands.carbonation import air_bar_at

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()

CHART = [
    # °F, psi gauge, volumes: carbonation chart of the ASBC type, Table I in Miller, BrewingTechniques 2(1), 1994
    (30, 10, 2.82),
    (32, 5, 2.15),
    (32, 15, 3.21),
    (36, 12, 2.67),
    (38, 12, 2.57),
    (40, 20, 3.19),
    (42, 12, 2.39),
    (45, 15, 2.51),
]


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(["carbonation", *arguments]) == 0
    return capsys.readouterr().out


def to(value: float, unit: str, wanted: str) -> float:
    return float(UNITS.Quantity(value, unit).to(wanted).magnitude)


def chart_volumes(bar: float, celsius: float) -> float:
    """Published exponential fit of the chart: deLange, CO2 Volumes in Beer, 2011."""
    psi, fahrenheit = to(bar, "bar", "psi"), to(celsius, "degC", "degF")
    return (psi + 14.695) * (0.01821 + 0.090115 * math.exp(-(fahrenheit - 32) / 43.11)) - 0.003342


@pytest.mark.parametrize(("fahrenheit", "psi", "volumes"), CHART)
def test_cells_of_the_printed_chart(
    capsys: pytest.CaptureFixture[str], fahrenheit: float, psi: float, volumes: float
) -> None:
    """Every cell within the 5 % that is stated; the range printed holds it too."""
    out = said(
        capsys, "--pressure", str(psi), "--pressure-unit", "psi", "--temperature", str(fahrenheit),
        "--temperature-unit", "F",
    )  # fmt: skip
    found = re.search(r"\(([\d.]+) volumes\)", out)
    between = re.search(r"Between ([\d.]+) and ([\d.]+) g/L", out)
    assert found is not None
    assert between is not None
    assert float(found[1]) == pytest.approx(volumes, rel=0.05)
    assert float(between[1]) - 0.05 <= volumes * 1.96 <= float(between[2]) + 0.05


@pytest.mark.parametrize(
    ("fahrenheit", "volumes", "psi"), [(38, 2.5, 11.2), (50, 2.3, 15.0), (68, 2.5, 27.6)]
)
def test_pressure_against_a_published_polynomial(
    capsys: pytest.CaptureFixture[str], fahrenheit: float, volumes: float, psi: float
) -> None:
    """Force Carbonation Tables, brewery.org library: within 5 % of absolute pressure."""
    out = said(
        capsys, "--carbonation", str(volumes), "--carbonation-unit", "volumes", "--temperature", str(fahrenheit),
        "--temperature-unit", "F",
    )  # fmt: skip
    found = re.search(r"([\d.]+) bar \(([\d.]+) psi, (\d+) kPa\)", out)
    assert found is not None
    assert float(found[2]) == pytest.approx(psi, abs=0.05 * (psi + 14.7))
    assert to(float(found[2]), "psi", "bar") == pytest.approx(float(found[1]), abs=0.01)
    assert to(float(found[3]), "kPa", "bar") == pytest.approx(float(found[1]), abs=0.01)


@pytest.mark.parametrize(("unit", "given"), [("bar", 1.2), ("psi", 17.4045), ("kPa", 120.0)])
def test_one_pressure_in_three_units(capsys: pytest.CaptureFixture[str], unit: str, given: float) -> None:
    """Converted as the units library converts."""
    out = said(capsys, "--pressure", str(given), "--pressure-unit", unit, "--temperature", "4")
    assert f"{to(given, unit, 'bar'):.2f} bar" in out
    assert f"{to(given, unit, 'psi'):.1f} psi" in out
    assert f"{to(given, unit, 'kPa'):.0f} kPa" in out


@pytest.mark.parametrize(
    ("arguments", "written"),
    [
        (("--pressure", "1.2", "--temperature", "4"), ("--pressure", "1,2 bar", "--temperature", "4 °C")),
        (
            ("--pressure", "12", "--pressure-unit", "psi", "--temperature", "41", "--temperature-unit", "F"),
            ("--pressure", "12PSI", "--temperature", "41F"),
        ),
        (
            ("--carbonation", "2.5", "--carbonation-unit", "volumes", "--temperature", "4"),
            ("--carbonation", "2.5 vol", "--temperature", "4"),
        ),
        (("--carbonation", "5", "--temperature", "4"), ("--carbonation", "5.0 g/l", "--temperature", "+4")),
    ],
)
def test_a_unit_may_stand_behind_the_number(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], written: tuple[str, ...]
) -> None:
    """As a batch's carbonation is written: the same answer as by the option for the unit."""
    assert said(capsys, *written) == said(capsys, *arguments)


def test_there_and_back(capsys: pytest.CaptureFixture[str]) -> None:
    """The pressure for a carbonation gives that carbonation."""
    for wanted, celsius in itertools.product(("4.0", "5.0", "6.0"), ("1", "6", "12")):
        out = said(capsys, "--carbonation", wanted, "--temperature", celsius)
        bar = re.search(r": ([\d.]+) bar", out)
        assert bar is not None
        assert f": {wanted} g/L" in said(capsys, "--pressure", bar[1], "--temperature", celsius)


def test_table_is_plain_text_of_80_columns_and_agrees_with_the_chart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each of its 360 cells lies within 5 % (and half a last digit) of the fit of the chart; its scales convert."""
    lines = said(capsys, "--table").splitlines()
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if any(ord(letter) < 32 for letter in line)]
    bars = [float(cell) for cell in next(line for line in lines if " bar |" in line).split("|")[1].split()]
    psis = [float(cell) for cell in next(line for line in lines if " psi |" in line).split("|")[1].split()]
    assert psis == pytest.approx([to(bar, "bar", "psi") for bar in bars], abs=0.051)
    compared = 0
    unit_g = 1.96
    for line in lines:
        if line.startswith("volumes"):
            unit_g = 1.0
        row = re.fullmatch(r" +(\d+) +([\d.]+) +\|([\d. ]+)", line)
        if row is None:
            continue
        celsius = float(row[1])
        assert float(row[2]) == pytest.approx(to(celsius, "degC", "degF"), abs=0.051)
        for bar, cell in zip(bars, row[3].split(), strict=True):
            chart = chart_volumes(bar, celsius) * unit_g
            assert float(cell) == pytest.approx(chart, abs=0.05 * chart + 0.05)
            compared += 1
    assert compared == 360


def test_uncertainty_is_stated_once(capsys: pytest.CaptureFixture[str]) -> None:
    """With a table as with a single point."""
    for arguments in (("--table",), ("--pressure", "1", "--temperature", "2")):
        assert said(capsys, *arguments).count("5 %") == 1


@pytest.mark.parametrize(("metres", "hpa"), [(0, 1013.25), (500, 954.61), (1000, 898.75), (1500, 845.56)])
def test_air_pressure_at_altitude(metres: float, hpa: float) -> None:
    """ISO 2533 / ICAO standard atmosphere."""
    assert air_bar_at(metres) * 1000 == pytest.approx(hpa, abs=0.05)


def test_altitude_and_barometer_change_the_carbonation(capsys: pytest.CaptureFixture[str]) -> None:
    """At 500 m a beer at 2 °C holds 0.17 g/L less under the same gauge pressure."""
    sea = said(capsys, "--carbonation", "5.91", "--temperature", "2")
    high = said(capsys, "--carbonation", "5.91", "--temperature", "2", "--altitude", "500")
    assert ": 1.00 bar" in sea
    assert ": 1.06 bar" in high
    barometer = said(capsys, "--carbonation", "5.91", "--temperature", "2", "--air-pressure", "954.61")
    assert barometer == high
    assert "Air pressure 955 mbar" in high


def test_low_and_high_carbonation_are_put_into_words(capsys: pytest.CaptureFixture[str]) -> None:
    """No negative pressure is advised, and a pressure past the checked range says so."""
    low = said(capsys, "--carbonation", "2", "--temperature", "0")
    assert "no pressure" in low
    assert not re.search(r"-\d", low)
    assert "chill the beer" in said(capsys, "--carbonation", "9", "--temperature", "20")


def test_as_a_process_it_needs_no_configuration() -> None:
    """Prints to stdout alone; `--help` names its units."""
    done = ullage("carbonation", "--pressure", "1", "--temperature", "-0.5")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("1.00 bar (14.5 psi, 100 kPa) at -0.5 °C (31.1 °F): ")
    help_text = ullage("carbonation", "--help").stdout
    assert "--config" not in help_text
    for unit in ("bar,psi,kPa", "C,F", "g/L,volumes"):
        assert unit in help_text


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((), "--temperature"),
        (("--pressure", "1"), "--temperature"),
        (("--temperature", "2"), "--pressure"),
        (("--pressure", "x", "--temperature", "2"), "'x' is no number, alone or in bar or psi or kPa"),
        (("--pressure", "1 C", "--temperature", "2"), "'1 C'"),
        (("--pressure", "1 2", "--temperature", "2"), "'1 2'"),
        (("--pressure", "5", "--temperature", "2"), "0 to 3 bar"),
        (("--pressure", "nan", "--temperature", "2"), "--pressure"),
        (("--pressure", "-0.2", "--temperature", "2"), "--pressure"),
        (("--pressure", "1", "--temperature", "80"), "-2 to 30 °C"),
        (("--pressure", "1", "--temperature", "38"), "38 °C"),
        (("--carbonation", "0", "--temperature", "2"), "0.5 to 15 g/L"),
        (("--carbonation", "inf", "--temperature", "2"), "--carbonation"),
        (("--pressure", "1", "--carbonation", "5", "--temperature", "2"), "not allowed"),
        (("--table", "--temperature", "2"), "--table"),
        (("--table", "--altitude", "9000"), "--altitude"),
        (("--table", "--air-pressure", "1.013"), "500 to 1100 mbar"),
        (("--table", "--altitude", "1", "--air-pressure", "1000"), "not allowed"),
        (("--pressure", "1", "--temperature", "2", "--pressure-unit", "atm"), "atm"),
        (("--pres", "1", "--temperature", "2"), "unrecognized arguments"),
    ],
)  # fmt: skip
def test_wrong_use_is_one_sentence_and_exit_code_2(arguments: tuple[str, ...], named: str) -> None:
    """It names the option, the value and what to give; nothing goes to stdout."""
    done = ullage("carbonation", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    (sentence,) = sentences(done)
    assert named in sentence
