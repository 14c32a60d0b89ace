"""Settings and vehicle files: every key, every layer, and every mistake told with file, line and remedy."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from livemon import setting_keys, settings
from livemon.cli import main
from livemon.core.figures import FIGURES, Figure
from livemon.core.route import Route, build
from livemon.core.together import Together
from livemon.core.vehicle import Fuel, VehicleProfile
from livemon.errors import SetupError
from livemon.files import route_header, vehicle_file, yaml_lines
from livemon.files.forms import Quantity
from livemon.files.yaml_lines import Word
from livemon.setting_keys import KEYS, SECTIONS

HOUSE = Path(__file__).resolve().parents[2]
EXAMPLE = HOUSE / "config" / "vehicles" / "example.yaml"


def layer(text: str) -> settings.Layer:
    return settings.from_block(yaml_lines.parse(text, "my.yaml"))


def in_force(text: str) -> settings.Settings:
    return settings.settle(layer(text))


# The table


def test_config_file_is_the_table_and_changes_nothing() -> None:
    text = (HOUSE / "config" / "livemon.yaml").read_text()
    assert text == setting_keys.template(), "rebuild: livemon check --template > config/livemon.yaml"
    ours = settings.settle()
    assert {p: e.value for p, e in in_force(text).entries.items()} == {p: e.value for p, e in ours.entries.items()}


@pytest.mark.parametrize("key", KEYS.values(), ids=lambda k: k.path)
def test_default_lies_in_its_own_range_and_has_an_effect(key: settings.Key) -> None:
    assert key.effect
    assert key.read(Word(key.write(key.default), "here")) == key.default
    if not key.auto and isinstance(key.form, Quantity):
        assert key.form.low <= key.default <= key.form.high


def test_every_field_of_every_section_has_a_key() -> None:
    for section in SECTIONS:
        if section.name == "drive":  # the core takes values from other sections too
            continue
        assert {key.field for key in section.keys} == set(section.cls.__dataclass_fields__), section.name


@hypothesis_settings(max_examples=200, deadline=None)
@given(st.sampled_from([k for k in KEYS.values() if isinstance(k.form, Quantity)]), st.floats(0, 1))
def test_written_value_reads_back_to_the_last_bit(key: settings.Key, share: float) -> None:
    form = key.form
    assert isinstance(form, Quantity)
    value = min(max(form.low + share * (form.high - form.low), form.low), form.high)
    assert key.read(Word(key.write(value), "here")) == value


@pytest.mark.parametrize(("text", "unit"), [("226.4 F", "degF"), ("381.15 K", "kelvin"), ("108 °C", "degC")])
def test_limit_in_other_units_against_pint(text: str, unit: str) -> None:
    """Outside check: the pint library converts the same quantity."""
    number = float(text.split()[0])
    expected = pint.UnitRegistry().Quantity(number, unit).to("degC").magnitude
    assert in_force(f"drive:\n  limit: {text}").core().limit_c == pytest.approx(expected)


# Layers


def test_later_layers_win_and_each_value_keeps_its_source() -> None:
    header, _ = settings.from_header('{"drive.limit": "100.0 C", "drive.outside": "30.0 C"}', "old.csv")
    file = layer("drive:\n  limit: 104 C\nalert:\n  hold: 1 min\n")
    ours = settings.settle(header, file, settings.options({"--limit": "101 C", "--stop": None}))
    assert ours.core().limit_c == 101
    shown = {path: (entry.text, entry.source) for path, entry in ours.entries.items()}
    assert shown["drive.limit"] == ("101 C", "--limit")
    assert shown["drive.outside"] == ("30 C", "old.csv, header")
    assert shown["alert.hold"] == ("60 s", "my.yaml, line 4")
    assert shown["drive.mass"] == ("auto", "default")


def test_header_of_a_recording_gives_the_same_settings_back() -> None:
    ours = settings.settle(settings.options({"--limit": "226.7 F", "--mass": "5070 lb"}))
    header, unknown = settings.from_header(ours.for_log(), "drive.csv")
    assert unknown == ()
    assert settings.settle(header).core() == ours.core()


def test_header_of_another_version_names_what_it_leaves_out() -> None:
    header, unknown = settings.from_header('{"drive.limit": "100 C", "drive.moon": "full"}', "drive.csv")
    assert unknown == ("drive.moon",)
    assert list(header) == ["drive.limit"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"drive.limit": 100}', "[" * 100_000])
def test_damaged_header_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(SetupError, match="--settings"):
        settings.from_header(text, "drive.csv")


# Mistakes


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("drive:\n  limit: 108", ["my.yaml, line 2, drive.limit", "its unit", "'108'", "limit: 108 C"]),
        ("drive:\n  limit: 108 kg", ["line 2", "C, F, K", "'108 kg'"]),
        ("drive:\n\n  limit: 300 C", ["line 3", "60 to 140 C", "'300 C'"]),
        ("drive:\n  limit: nan C", ["line 2", "'nan C'"]),
        ("drive:\n  limit:", ["line 2", "''"]),
        ("drive:\n  limit: [1, 2]", ["line 2", "one value for drive.limit", "a list"]),
        ("drive:\n  limits: 108 C", ["line 2", "a known key", "'drive.limits'", "Did you mean drive.limit?"]),
        ("drives:\n  limit: 108 C", ["line 1", "'drives'", "Did you mean drive?"]),
        ("zzz: 1", ["line 1", "config/livemon.yaml shows every key"]),
        ("drive: 3", ["line 1", "keys of drive", "the single value '3'"]),
        ("drive:\n  limit: 108 C\n  limit: 109 C", ["line 3", "once", "first at my.yaml, line 2"]),
        ("drive:\n  limit: 120 C\n  stop: 110 C", ["line 2", "at most drive.stop, which is 110 C (my.yaml, line 3)"]),
        ("drive:\n  limit: 120 C\n  stop: 10 C", ["line 3, drive.stop", "60 to 150 C or auto"]),
        ("alert:\n  caution_chance: 2", ["line 2", "0.05 to 0.95", "'2'"]),
        ("alert:\n  caution_chance: 1_0", ["line 2", "'1_0'"]),
        ("recorder:\n  on: perhaps", ["line 2", "yes or no", "'perhaps'"]),
        ("recorder:\n  total: 500", ["line 2", "MB", "'500'"]),
        ("screen:\n  units: imperial", ["line 2", "metric, us", "'imperial'"]),
        ("drive:\n\tlimit: 108 C", ["my.yaml, line 2", "plain YAML"]),
        ("drive: {limit: 108 C", ["my.yaml", "plain YAML"]),
        ("drive: &a\n  limit: 108 C\nalert: *a", ["line 3", "an alias"]),
        ("- 1\n- 2", ["line 1", "keys and values", "a list"]),
        ("just words", ["line 1", "the single value 'just words'"]),
        ("? [a]\n: b", ["line 1", "a key of one word"]),
        ("drive:\n  limit: \x07", ["line 2", "plain YAML"]),
    ],
)
def test_mistake_is_told_with_place_expectation_and_remedy(text: str, words: list[str]) -> None:
    with pytest.raises(SetupError) as caught:
        in_force(text)
    for word in words:
        assert word in str(caught.value)


def test_value_that_a_later_layer_hides_is_still_refused() -> None:
    with pytest.raises(SetupError, match=r"my\.yaml, line 2"):
        settings.settle(layer("drive:\n  limit: hot"), settings.options({"--limit": "100 C"}))


@hypothesis_settings(max_examples=300, deadline=None)
@given(
    st.text(max_size=200)
    | st.lists(st.sampled_from(["drive:", "\n  limit: ", "108 C", "[", "{", "&a ", "*a", "'", "\t"])).map("".join)
)
def test_any_text_is_settings_or_our_own_error(text: str) -> None:
    try:
        ours = in_force(text)
    except SetupError as refused:
        assert refused.exit_status == 2  # noqa: PT017 - either outcome is right, a traceback is not
    else:
        assert set(ours.entries) == set(KEYS)


def test_nesting_without_end_is_refused() -> None:
    with pytest.raises(SetupError, match="nesting without end"):
        yaml_lines.parse("[" * 20_000, "deep.yaml")


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="No such file"):
        settings.from_file(tmp_path / "none.yaml")
    (tmp_path / "latin.yaml").write_bytes(b"drive:\n  limit: 108 \xb0C\n")
    with pytest.raises(SetupError, match=r"latin\.yaml, line 2: expected UTF-8"):
        settings.from_file(tmp_path / "latin.yaml")
    (tmp_path / "long.yaml").write_bytes(b"#" * 300_000)
    with pytest.raises(SetupError, match="256 KiB"):
        settings.from_file(tmp_path / "long.yaml")
    (tmp_path / "empty.yaml").touch()
    assert settings.from_file(tmp_path / "empty.yaml") == {}


# Vehicle files


def test_example_vehicle_loads_with_its_lines() -> None:
    profile, lines = vehicle_file.load(EXAMPLE)
    assert profile.figure("mass_kg") == Figure(2650, 80, "typed")
    assert profile.figure("cap_kpa").likely == pytest.approx(110.3, abs=0.05)  # 16 psi, NIST SP 811
    assert settings.settle(lines).core().stop_c == 118
    assert profile.gear_ratios == (2.80, 1.53, 1.00, 0.72)
    assert profile.torque_points is not None
    assert profile.torque_points[2] == (2500, 345)


figure_values = st.sampled_from(list(FIGURES.values())).flatmap(
    lambda key: st.builds(
        lambda likely, spread, source: (key.name, Figure(likely, spread, source)),
        st.floats(key.low, key.high),
        st.floats(0, key.high - key.low),
        st.sampled_from(["typed", "learned from 3 logs"]),
    )
)
figures = st.lists(figure_values, max_size=4).map(dict)
profiles = st.builds(
    VehicleProfile,
    name=st.sampled_from(["Basalt", 'a "tall" wagon: #2', "Gr\N{LATIN SMALL LETTER U WITH DIAERESIS}n"]),
    typed=figures,
    learned=figures,
    parts=st.sampled_from([(), ("clogged_condenser",), ("weak_electric_fan", "leaking_cap")]),
    learned_parts=st.sampled_from([(), ("clogged_condenser", "low_pump_flow")]),
    gear_ratios=st.sampled_from([None, (3.1, 1.5, 1.0)]),
    torque_points=st.sampled_from([None, ((800.0, 200.5), (3000.0, 350.0))]),
    fuel=st.sampled_from(Fuel),
    boosted=st.booleans(),
    has_ac=st.booleans(),
    together=st.sampled_from(
        [Together(), Together(("open_c", "radiator_kw_k"), ((1.0,), (-0.6, 0.8))), Together(("mass_kg",), ((0.9995,),))]
    ),
)


@hypothesis_settings(max_examples=100, deadline=None)
@given(profiles)
def test_profile_survives_file_and_header_to_the_last_bit(profile: VehicleProfile) -> None:
    again, _ = vehicle_file.from_block(yaml_lines.parse(vehicle_file.to_yaml(profile), "v.yaml"))
    assert again == profile
    assert vehicle_file.from_header(vehicle_file.to_header(profile), "drive.csv") == profile


def test_every_figure_has_one_key() -> None:
    assert sorted(vehicle_file.FIGURE_OF.values()) == sorted(FIGURES)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("typed:\n  mas: 2300 kg", ["line 2", "'mas'", "Did you mean mass?"]),
        ("typed:\n  mass: 2300", ["line 2, mass", "its unit"]),
        ("typed:\n  mass: 2300 kg +- 3", ["line 2, mass (spread)"]),
        ("typed:\n  mass: 23 kg", ["line 2, mass", "600 to 8000 kg"]),
        ("typed:\n  mass: {spread: 3 kg}", ["a value for mass"]),
        ("parts: [clogged_condensor]", ["line 1, parts", "Did you mean clogged_condenser?"]),
        ("gears: [1, 2]", ["line 1, gears", "each below the one before"]),
        ("gears: []", ["line 1, gears"]),
        ("torque:\n  2000 rpm: 300 Nm", ["2 to 40 points"]),
        ("torque:\n  2000: 300 Nm", ["line 2, torque"]),
        ("fuel: coal", ["line 1, fuel", "petrol, diesel", "'coal'"]),
        ("together: {open: 1}", ["the row of open", "a list"]),
        ("together: {opem: [1]}", ["'opem'", "Did you mean open?"]),
        ("together:\n  open: [1]\n  cap: [0.5]", ["line 3, cap", "2 numbers, not 1", "wider forecasts"]),
        ("together: {open: [0.5]}", ["squares sum to 1"]),
        ("together: {open: [-1]}", ["the last above 0"]),
        ("together: {open: [2]}", ["open", "-1 to 1"]),
        ("together: {open: [" + "0, " * 99 + "1]}", ["at most", "100"]),
        ("colour: red", ["line 1", "'colour'"]),
        ("drive: {limit: 108 C}", ["v.yaml", "found settings", "--settings"]),
    ],
)
def test_mistake_in_a_vehicle_file(text: str, words: list[str]) -> None:
    with pytest.raises(SetupError) as caught:
        vehicle_file.from_block(yaml_lines.parse(text, "v.yaml"))
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"name": 3}', "null"])
def test_damaged_profile_in_a_header(text: str) -> None:
    with pytest.raises(SetupError, match="--vehicle"):
        vehicle_file.from_header(text, "drive.csv")


def test_what_a_header_lacks_is_named() -> None:
    with pytest.raises(SetupError, match="found one without a known 'typed'"):
        vehicle_file.from_header('{"name": "x"}', "drive.csv")


def test_header_profile_out_of_range_is_refused() -> None:
    broken = replace(VehicleProfile(), typed={"mass_kg": Figure(1e9, 1.0)})
    with pytest.raises(SetupError, match="mass_kg out of range"):
        vehicle_file.from_header(vehicle_file.to_header(broken), "drive.csv")


def test_a_vehicle_file_given_as_settings_is_known_for_what_it_is() -> None:
    with pytest.raises(SetupError, match=r"line 1: expected settings, found a vehicle file\. Give it with --vehicle"):
        settings.from_block(yaml_lines.parse("name: Basalt\nlimit: 105 C", "v.yaml"))
    with pytest.raises(SetupError, match=r"Did you mean drive\.limit\?"):
        settings.from_block(yaml_lines.parse("limit: 105 C", "s.yaml"))


@pytest.mark.parametrize(
    ("option", "text", "words"),
    [
        ("--limit", "108", ["(C, F, K), 60 to 140 C", 'Write for example `--limit "108 C"`']),
        ("--limit", "108 F", ["60 to 140 C (140 to 284 F)"]),
        ("--mass", "2 lb", ["600 to 8000 kg (1323 to 17637 lb)"]),
        ("--mass", "2 kg", ["600 to 8000 kg or auto, found '2 kg'"]),
    ],
)
def test_mistake_on_the_command_line_is_told_in_its_own_words(option: str, text: str, words: list[str]) -> None:
    with pytest.raises(SetupError) as caught:
        settings.settle(settings.options({option: text}))
    for word in words:
        assert word in str(caught.value)
    assert "auto`" not in str(caught.value)


def test_an_example_is_one_for_the_key_where_the_option_is_for_many() -> None:
    with pytest.raises(SetupError, match="Write for example `hold: 30 s`"):
        setting_keys.KEYS["alert.hold"].read(Word("1", "--sweep"))


# livemon check


def test_check_prints_value_and_source(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--vehicle", str(EXAMPLE), "--limit", "104 C"]) == 0
    out = capsys.readouterr().out
    assert "104 C" in out
    assert "--limit" in out
    assert "example.yaml, line 8" in out
    assert "nothing wrong found" in out


def test_check_remarks_on_a_limit_where_the_thermostat_still_regulates(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--limit", "94 C"]) == 0
    out = capsys.readouterr().out
    assert "drive.limit (--limit): 94 C is reached while the thermostat still regulates (82 C to 95 C)" in out
    assert "nothing wrong found" in out, "it is the owner's own line"
    assert main(["check", "--limit", "96 C"]) == 0
    assert "regulates" not in capsys.readouterr().out


def test_check_flags_a_stop_above_boiling(capsys: pytest.CaptureFixture[str]) -> None:
    """50/50 glycol without a cap boils at 107 to 108 C at sea level (published values; docs name them)."""
    assert main(["check", "--stop", "140 C", "--json"]) == 2
    said = json.loads(capsys.readouterr().out)
    assert len(said["wrong"]) == 1
    assert "drive.stop (--stop)" in said["wrong"][0]


def test_check_refuses_a_limit_above_the_stop(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--limit", "120 C", "--stop", "110 C"]) == 2
    assert "expected at most drive.stop, which is 110 C (--stop), found 120 C" in capsys.readouterr().err


def test_check_takes_the_boiling_point_at_the_summit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Boiling falls with height: ISO 2533 gives 57.7 kPa at 4500 m against 101.3 kPa at the sea."""
    route = tmp_path / "pass.csv"
    route.write_text("distance_m,height_m\n" + "".join(f"{100 * k},{min(20 * k, 4500)}\n" for k in range(400)))
    options = ["check", "--stop", "125 C"]
    assert main(options) == 0
    assert main([*options, "--route", str(route)]) == 2
    assert "boil at 4500 m" in capsys.readouterr().out


def test_check_flags_a_limit_that_leaves_no_room_under_boiling(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--limit", "126 C"]) == 2
    assert "the stop, which is 125 C at 0 m (auto: 6 K under boiling), found 126 C" in capsys.readouterr().out


# Routes in a header


def climb() -> Route:
    distance = np.arange(0, 20_000, 50.0)
    return build("over the hill", distance, 400 + 0.06 * distance, 45 + distance / 1e5, 7 + distance / 3e5)


def test_settled_route_survives_the_header_to_the_last_bit() -> None:
    route = route_header.settled(climb())
    again = route_header.from_header(route_header.to_header(route), "drive.csv")
    for name in ("distance_m", "height_m", "grade_pct", "latitude_deg", "longitude_deg"):
        assert np.array_equal(getattr(again, name), getattr(route, name)), name
    assert (again.name, again.spikes) == (route.name, route.spikes)
    assert route_header.settled(again).height_m.tolist() == route.height_m.tolist()


def test_long_route_fits_into_one_line_of_a_log() -> None:
    distance = np.arange(0, 1_000_000, 50.0)
    rng = np.random.default_rng(1)
    heights = 800 + np.cumsum(rng.normal(0, 0.8, len(distance)))
    route = route_header.settled(build("long", distance, heights, 45 + distance / 1e6, 7 + distance / 9e5))
    assert len(route_header.to_header(route)) < 250_000


def bomb() -> str:
    return base64.b64encode(zlib.compress(b" " * 50_000_000)).decode()


@pytest.mark.parametrize("text", ["", "x", "AAAA", base64.b64encode(zlib.compress(b"{}")).decode(), bomb()])
def test_damaged_route_in_a_header(text: str) -> None:
    with pytest.raises(SetupError, match="--route"):
        route_header.from_header(text, "drive.csv")


def test_mass_of_the_drive_goes_before_the_profile() -> None:
    profile = VehicleProfile(
        typed={"mass_kg": Figure(2300, 60, "typed")}, learned={"mass_kg": Figure(2400, 9, "learned")}
    )
    ours = settings.settle(settings.options({"--mass": "3 t"})).core(profile)
    assert ours.profile.figure("mass_kg").likely == 3000
    assert settings.settle().core(profile).profile == profile


def test_probe_and_show_find_the_vehicle_and_the_monitor_where_the_settings_say(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own.yaml"
    own.write_text(f"link:\n  port: {tmp_path / 'adapter'}\nfeed:\n  socket: none\n")
    assert main(["probe", "--settings", str(own), "--quiet", "--seconds", "5"]) == 1
    assert f"port {tmp_path / 'adapter'}: no such device" in capsys.readouterr().out
    assert main(["show", "--settings", str(own)]) == 2
    assert "feed.socket: expected the path of a socket, found none. Name it with --socket" in capsys.readouterr().err


def test_quiet_leaves_the_result_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hill = tmp_path / "hill.csv"
    hill.write_text("distance_km,height_m\n0,100\n5,500\n")
    assert main(["check", "--quiet"]) == 0
    assert capsys.readouterr().out == ""
    assert main(["check", "--quiet", "--limit", "135 C"]) == 2
    assert capsys.readouterr().out.startswith("wrong: drive.limit (--limit)")
    assert main(["plan", str(hill), "--outside", "30 C", "--quiet"]) == 0
    told = capsys.readouterr().out
    assert "peak" in told
    assert "Estimates" not in told


@pytest.mark.parametrize(
    ("text", "radius_m", "spread_m"),
    [
        ("285/75R16", 0.97 * (16 * 0.0254 / 2 + 0.285 * 0.75), 0.005),
        ("LT285/75 R16 +/- 5 mm", 0.97 * (16 * 0.0254 / 2 + 0.285 * 0.75), 0.005),
        ("33x12.50R15", 0.97 * 33 * 0.0254 / 2, 0.005),
        ("15.7 in +- 0.1 in", 15.7 * 0.0254, 0.00254),
    ],
)
def test_a_tyre_is_typed_as_its_size_or_its_radius(text: str, radius_m: float, spread_m: float) -> None:
    profile, _ = vehicle_file.from_block(yaml_lines.parse(f"typed:\n  tyre_radius: {text}\n", "v.yaml"))
    assert profile.figure("tyre_radius_m").likely == pytest.approx(radius_m, abs=1e-4)
    assert profile.figure("tyre_radius_m").spread == pytest.approx(spread_m, abs=1e-6)
    with pytest.raises(SetupError, match="tyre size such as"):
        vehicle_file.from_block(yaml_lines.parse("typed:\n  tyre_radius: 33\n", "v.yaml"))
