"""The serial reader against an adapter emulator that we did not write (extra `peer`), in its own process over TCP.

Skipped, saying so, where the extra is not installed.  The emulator moves its values by itself, so what is checked is
that every quantity it serves arrives, within range, at a rate, and without a torn line.
"""

from __future__ import annotations

import importlib.util
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from livemon.core.events import SIGNALS
from livemon.readers.serial_elm import SerialSettings
from livemon.verbs import probe_adapter

if importlib.util.find_spec("elm") is None:
    pytest.skip("no foreign adapter emulator here (pip install -e '.[peer]')", allow_module_level=True)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[str]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "elm", "-s", "car", "-b", str(tmp_path / "out"), "-n", str(number)],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        time.sleep(1.5)  # it takes one connection only, so it cannot be asked whether it is ready
        yield f"socket://127.0.0.1:{number}"
    finally:
        process.kill()
        process.wait(5)


def test_everything_a_foreign_emulator_serves_is_read(peer: str) -> None:
    report = probe_adapter.examine(SerialSettings(peer), 30.0, drive_s=3.0)
    assert report.exit_status == 0, report.wrong
    assert report.protocol == "ISO 15765-4, 11 bit, 500 kbit/s"
    told = {found.name: found for found in report.signals if found.answered}
    assert {"coolant_c", "rpm", "speed_kmh", "maf_g_s", "map_kpa", "intake_air_c", "voltage_v"} <= set(told)
    for name, found in told.items():
        assert found.answered == found.asked
        assert found.value is not None
        assert SIGNALS[name].low <= found.value <= SIGNALS[name].high
    assert report.stored == ()
    assert not report.wrong
