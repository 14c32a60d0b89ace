"""The units as the service manager sees them: verified, as shut in as docs/install.md states, put and taken whole."""

from __future__ import annotations

import configparser
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from livemon.cli import main

ROOT = Path(__file__).resolve().parents[2]
UNITS = ROOT / "systemd"
DOC = (ROOT / "docs/install.md").read_text(encoding="utf-8")
ANALYZE = shutil.which("systemd-analyze")
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
FIGURES = re.findall(r"^\| (\S+\.service) \| ([\w -]*?) ?\| ([\d.]+) \|$", DOC, re.M)

needs_systemd = pytest.mark.skipif(
    ANALYZE is None, reason="no systemd-analyze on this machine: only systemd itself can judge its units"
)


def placed(folder: Path, unit: str, drop_ins: str = "") -> Path:
    """A copy of the unit whose program exists on this machine, with its drop-ins beside it."""
    text = (UNITS / unit).read_text(encoding="utf-8")
    (folder / unit).write_text(text.replace("/opt/livemon/bin/livemon", "/bin/true"), encoding="utf-8")
    for name in drop_ins.split():
        (folder / f"{unit}.d").mkdir(exist_ok=True)
        shutil.copy(UNITS / "optional" / f"{name}.conf", folder / f"{unit}.d")
    return folder / unit


def analyze(*words: str, folder: Path) -> str:
    done = subprocess.run([str(ANALYZE), *words], cwd=folder, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@needs_systemd
@pytest.mark.parametrize("unit", [*SERVICES, "livemon-power-off.path"])
def test_systemd_finds_nothing_wrong(tmp_path: Path, unit: str) -> None:
    for other in SERVICES:  # units refer to one another
        placed(tmp_path, other)
    assert analyze("verify", f"./{placed(tmp_path, unit).name}", folder=tmp_path) == ""


@needs_systemd
@pytest.mark.parametrize(("unit", "drop_ins", "stated"), FIGURES)
def test_exposure_is_as_stated(tmp_path: Path, unit: str, drop_ins: str, stated: str) -> None:
    placed(tmp_path, unit, drop_ins)
    told = analyze("security", "--offline=true", "--no-pager", f"./{unit}", folder=tmp_path)
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", told)
    assert found, told
    assert found[1] == stated


@needs_systemd
@pytest.mark.parametrize("name", sorted(path.stem for path in (UNITS / "optional").glob("*.conf")))
def test_drop_ins_are_understood(tmp_path: Path, name: str) -> None:
    placed(tmp_path, "livemon.service", name)
    assert analyze("verify", "./livemon.service", folder=tmp_path) == ""


def test_every_service_and_drop_in_has_its_figure_and_the_bare_one_is_low() -> None:
    assert {unit for unit, _, _ in FIGURES} == set(SERVICES)
    assert {name for _, names, _ in FIGURES for name in names.split()} == {
        path.stem for path in (UNITS / "optional").glob("*.conf")
    }
    assert float(next(f for unit, names, f in FIGURES if unit == "livemon.service" and not names)) <= 1.5


def options(unit: str) -> list[tuple[str, str]]:
    lines = (UNITS / unit).read_text(encoding="utf-8").splitlines()
    return [tuple(line.split("=", 1)) for line in lines if "=" in line and not line.startswith("#")]  # type: ignore[misc]


def test_the_monitor_notifies_is_watched_and_comes_back() -> None:
    told = options("livemon.service")
    for pair in (
        ("Type", "notify"),
        ("NotifyAccess", "main"),
        ("WatchdogSec", "10"),
        ("Restart", "on-failure"),
        ("RestartSec", "2"),
        ("StartLimitIntervalSec", "300"),
        ("StartLimitBurst", "10"),
        ("RestartPreventExitStatus", "2"),
    ):
        assert pair in told
    # ten starts, each lasting the shortest failing run, must not outlast the interval: else the limit never bites
    assert 10 * (2 + 10) < 300


def test_the_monitor_has_no_internet_without_the_page() -> None:
    told = options("livemon.service")
    assert ("RestrictAddressFamilies", "AF_UNIX AF_CAN") in told
    assert ("IPAddressDeny", "any") in told


def test_the_power_off_file_is_the_one_the_path_unit_watches() -> None:
    assert ("PathExists", "/run/livemon/power-off") in options("livemon-power-off.path")


def run_script(name: str, root: Path, *words: str) -> str:
    done = subprocess.run(
        ["sh", str(UNITS / name), *words],
        env={"DESTDIR": str(root), "PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def files_in(root: Path) -> set[str]:
    return {"/" + str(path.relative_to(root)) for path in root.rglob("*") if path.is_file()}


def test_install_puts_everything_keeps_settings_and_remove_takes_it_away(tmp_path: Path) -> None:
    run_script("install.sh", tmp_path)
    put = files_in(tmp_path)
    shipped = [p for p in UNITS.rglob("*") if p.is_file() and p.suffix != ".sh"]
    assert len(put) == len(shipped) + 1, "everything shipped, and the settings"
    settings = tmp_path / "etc/livemon/livemon.yaml"
    assert "  port: /dev/livemon-obd\n" in settings.read_text(encoding="utf-8")
    assert main(["check", "--settings", str(settings)]) == 0
    settings.write_text("# mine\n", encoding="utf-8")
    run_script("install.sh", tmp_path)
    assert settings.read_text(encoding="utf-8") == "# mine\n"
    assert files_in(tmp_path) == put
    (tmp_path / "var/lib/livemon").mkdir(parents=True)
    (tmp_path / "var/lib/livemon/drive.csv").write_text("time_s\n", encoding="utf-8")
    assert "kept" in run_script("remove.sh", tmp_path)
    assert files_in(tmp_path) == {"/etc/livemon/livemon.yaml", "/var/lib/livemon/drive.csv"}
    run_script("remove.sh", tmp_path, "--purge")
    assert files_in(tmp_path) == set()


@pytest.mark.parametrize("script", ["install.sh", "remove.sh"])
def test_scripts_are_clean(script: str) -> None:
    checker = shutil.which("shellcheck")
    if checker is None:
        pytest.skip("no shellcheck: the scripts were not looked at")
    done = subprocess.run([checker, str(UNITS / script)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_the_account_can_be_made(tmp_path: Path) -> None:
    maker = shutil.which("systemd-sysusers")
    if maker is None:
        pytest.skip("no systemd-sysusers: the account was not tried")
    done = subprocess.run(
        [maker, "--dry-run", f"--root={tmp_path}", str(UNITS / "livemon-sysusers.conf")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Creating user 'livemon'" in done.stderr + done.stdout


# systemd.network(5) of systemd 252, sections [Match], [Link] and [CAN]
NETWORK_KEYS = {"Match": {"name"}, "Link": {"requiredforonline"}, "CAN": {"bitrate", "restartsec", "listenonly"}}


def test_the_bus_comes_up_listening_only_and_comes_back_from_bus_off() -> None:
    told = configparser.ConfigParser()
    told.read_string((UNITS / "80-livemon-can.network").read_text(encoding="utf-8"))
    assert {name: set(told[name]) for name in told.sections()} == NETWORK_KEYS
    assert told["CAN"]["listenonly"] == "yes"
    assert told["CAN"]["restartsec"] == "100ms"


def test_udev_rules_are_well_formed() -> None:
    lines = (UNITS / "60-livemon.rules").read_text(encoding="utf-8").splitlines()
    pair = re.compile(r'(ACTION|SUBSYSTEM|ATTRS\{\w+\}|ENV\{\w+\}|SYMLINK|TAG|GOTO|LABEL)(==|!=|\+=|=)"[^"]+"')
    for line in lines:
        if line and not line.startswith("#"):
            assert all(pair.fullmatch(each.strip()) for each in line.split(",")), line
    assert sum("livemon-obd" in line and not line.startswith("#") for line in lines) == 4


def test_install_takes_at_most_five_commands() -> None:
    block = re.search(r"## Install\n.*?```sh\n(.*?)```", DOC, re.S)
    assert block
    commands = block[1].strip().splitlines()
    assert 1 <= len(commands) <= 5
    assert all(line.startswith("sudo ") and "&&" not in line and ";" not in line for line in commands)
