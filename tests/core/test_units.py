"""Units: every accepted unit against the pint library, there and back, and refusals in words."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core import units
from livemon.core.units import Kind

REGISTRY = pint.UnitRegistry()
NAMES = {
    "C": "degC", "F": "degF", "K": "kelvin", "km/h": "km/hour", "mph": "mile/hour", "m/s": "m/s", "kg": "kg",
    "lb": "pound", "t": "metric_ton", "m": "m", "km": "km", "mm": "mm", "cm": "cm", "ft": "foot", "mi": "mile",
    "in": "inch", "kPa": "kPa", "psi": "psi", "bar": "bar", "hPa": "hPa", "L": "liter", "qt": "quart", "gal": "gallon",
    "cc": "cm**3", "cu in": "inch**3", "sq in": "inch**2",
    "m2": "m**2", "ft2": "foot**2", "kW": "kW", "hp": "horsepower", "PS": "metric_horsepower",
    "Nm": "N*m", "lbft": "pound_force*foot", "s": "s", "min": "minute", "h": "hour", "V": "volt",
}  # fmt: skip
STEPS = {"C": "delta_degC", "K": "kelvin", "F": "delta_degF"}
KINDS = [value for value in vars(units).values() if isinstance(value, Kind)]
PAIRS = [(kind, unit) for kind in KINDS for unit in kind.units if unit in NAMES]


@pytest.mark.parametrize(("kind", "unit"), PAIRS, ids=lambda x: x.name if isinstance(x, Kind) else x)
@pytest.mark.parametrize("number", [0.0, 1.0, 37.5, 212.0])
def test_every_unit_agrees_with_pint(kind: Kind, unit: str, number: float) -> None:
    names = STEPS if kind is units.TEMPERATURE_STEP else NAMES
    expected = REGISTRY.Quantity(number, names[unit]).to(names[kind.own]).magnitude
    assert units.parse(f"{number} {unit}", kind) == pytest.approx(expected, rel=1e-8, abs=1e-8)


@given(st.sampled_from(PAIRS), st.floats(-1e4, 1e4))
def test_there_and_back(pair: tuple[Kind, str], value: float) -> None:
    kind, unit = pair
    scale, offset = kind.units[unit]
    assert units.to_unit(value, kind, unit) * scale + offset == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize("text", ["", "108", "C", "108 Q", "1,8 C", "nan C", "108 C C", "108 psi"])
def test_a_temperature_without_its_unit_is_refused_with_the_accepted_ones(text: str) -> None:
    with pytest.raises(ValueError, match="C, F, K"):
        units.parse(text, units.TEMPERATURE)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("5,840 lbs", units.MASS, 2648.979441),
        ("283 cid", units.VOLUME, 4.637539),
        ("283 cu. in.", units.VOLUME, 4.637539),
        ("12 Liter", units.VOLUME, 12.0),
        ("4,700 cc", units.VOLUME, 4.7),
        ("1.3 m²", units.AREA, 1.3),
        ("500 sq in", units.AREA, 0.32258),
        ("250 lb-ft", units.TORQUE, 338.954),
        ("250 ft-lb", units.TORQUE, 338.954),
        ("320 N·m", units.TORQUE, 320.0),
        ("55 kph", units.SPEED, 55.0),
    ],
)
def test_the_spellings_people_use(text: str, kind: Kind, value: float) -> None:
    assert units.parse(text, kind) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize("text", ["4,7 L", "47,00 cc", "1,23,456 cc", "4 700 cc", ",700 cc"])
def test_a_comma_stands_between_thousands_only(text: str) -> None:
    with pytest.raises(ValueError, match="volume"):
        units.parse(text, units.VOLUME)


@given(st.text(max_size=20))
def test_any_text_is_read_or_refused_with_the_accepted_units(text: str) -> None:
    refusal = ""
    try:
        units.parse(text, units.SPEED)
    except ValueError as refused:
        refusal = str(refused)
    assert not refusal or "km/h" in refusal


@pytest.mark.parametrize(
    ("words", "us"),
    [
        ("stands at 103 C for 5 min: stuck", "stands at 217 F for 5 min: stuck"),
        ("fell 10 K while held near 105 C", "fell 18 F while held near 221 F"),
        ("jumped by +18 K and stayed", "jumped by +32 F and stayed"),
        ("reads -40 C, the end of its range (-40 C)", "reads -40 F, the end of its range (-40 F)"),
        ("differ: 90 C and 101 C", "differ: 194 F and 214 F"),
        ("80 km/h at 2200 rpm", "50 mph at 2200 rpm"),
        ("A/C off, 3 Cars, v1.5 C2, 40 KB", "A/C off, 3 Cars, v1.5 C2, 40 KB"),
    ],
)
def test_degrees_in_words_come_out_in_the_readers_unit(words: str, us: str) -> None:
    assert units.in_words(words, units.US) == us
    assert units.in_words(words, units.METRIC) == words.replace(" K ", " C ")
