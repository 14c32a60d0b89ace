"""docs/vehicle.md has every figure and part of the program, and its example and that of config/ load and mean it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from livemon.cli import main
from livemon.core.units import TEMPERATURE
from livemon.core.vehicle import PARTS, VehicleProfile
from livemon.files import vehicle_file, yaml_lines
from livemon.files.vehicle_file import FIGURE_OF
from tests.rebuild_vehicle_docs import PAGE, rebuilt

TEXT = PAGE.read_text(encoding="utf-8")
EXAMPLE = Path(__file__).resolve().parents[2] / "config/vehicles/example.yaml"


def test_the_tables_are_those_of_the_program() -> None:
    assert rebuilt(TEXT) == TEXT, "python -m tests.rebuild_vehicle_docs"


def test_the_words_on_filling_in_name_figures_that_exist() -> None:
    rows = TEXT.split("## Filling it in")[1].split("## Figures")[0]
    top = ("torque", "gears", "learn")
    assert [k for k in re.findall(r"`([a-z_]+)`", rows) if k not in FIGURE_OF and k not in top] == []


def example_of_the_page(tmp_path: Path) -> Path:
    block = TEXT.split("prints what is in force and where it came from.")[1].split("- Values carry")[0]
    path = tmp_path / "page.yaml"
    path.write_text("".join(f"{line[4:]}\n" for line in block.splitlines() if line.startswith("    ")))
    return path


def test_the_example_of_the_page_loads_and_means_what_it_says(tmp_path: Path) -> None:
    profile, lines = vehicle_file.load(example_of_the_page(tmp_path))
    assert profile.typed["mass_kg"].likely == pytest.approx(2649.0, abs=0.5)  # 5840 lb, NIST SP 811
    assert profile.typed["mass_kg"].spread == pytest.approx(81.6, abs=0.1)
    assert profile.typed["tyre_radius_m"].likely == pytest.approx(0.3988, abs=1e-4)  # 15.7 in
    assert profile.typed["cap_kpa"].likely == pytest.approx(110.3, abs=0.1)  # 16 psi
    assert profile.parts == ("clogged_condenser",)
    assert lines["drive.limit"].text == "108 C"


def test_every_unit_the_page_names_is_one_that_is_read() -> None:
    from livemon.core import units

    kinds = [kind for kind in vars(units).values() if isinstance(kind, units.Kind)]
    known = {unit for kind in kinds for unit in kind.units}
    named = TEXT.split("Values carry the unit people use:")[1].split(". The tables")[0]
    assert {" ".join(word.split()) for word in re.split(r"[,;]", named)} <= known
    assert TEMPERATURE.units.keys() <= known


@pytest.mark.parametrize("which", ["config", "page"])
def test_check_accepts_it(which: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = EXAMPLE if which == "config" else example_of_the_page(tmp_path)
    assert main(["check", "--vehicle", str(path)]) == 0
    assert "Basalt" in capsys.readouterr().out


def test_the_example_of_config_types_what_papers_tell_and_learns_nothing() -> None:
    profile, _ = vehicle_file.load(EXAMPLE)
    assert profile.learned == {}
    assert profile.parts == ()
    assert profile.gear_ratios is not None
    assert profile.torque_points is not None
    told = TEXT.split("## Filling it in")[1].split("Do not type a guess")[0]
    assert all(f"`{vehicle_file.NAME_OF[name]}`" in told for name in profile.typed)


def test_top_keys_are_named(tmp_path: Path) -> None:
    keys = re.findall(r"`([a-z_]+)`", TEXT.split("- Keys at the top:")[1].split("\n\n")[0])
    block = yaml_lines.load(EXAMPLE)
    assert set(block.entries) <= set(keys)
    text = vehicle_file.to_yaml(
        VehicleProfile(gear_ratios=(2.0, 1.0), torque_points=((1000.0, 100.0), (2000.0, 120.0)))
    )
    assert {line.partition(":")[0] for line in text.splitlines() if not line.startswith(" ")} <= set(keys)


def test_a_part_that_is_fitted_replaces_worn_ones_only() -> None:
    for part in PARTS.values():
        assert not part.replaces or part.fitted
        assert all(worn in PARTS and not PARTS[worn].fitted for worn in part.replaces)
