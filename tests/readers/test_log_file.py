"""Log files as they lie about: plain, gzip, cut off, unreadable; real recordings read to the last row."""

from __future__ import annotations

import csv
import gzip
import os
import tracemalloc
from pathlib import Path

import pytest

from livemon.core.events import Sample
from livemon.errors import NoDataError, SetupError
from livemon.readers.log_file import LogFile, looks_like_log
from tests.datasets import dataset

ROWS = b"".join(b"%d.000,9%d\n" % (s, s % 10) for s in range(20_000))
LOG = b"# format: 1\n# settings: {}\ntime_s,coolant_c\n" + ROWS


def test_header_is_known_before_the_first_event(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_bytes(LOG)
    log = LogFile(path)
    assert log.metadata == {"format": "1", "settings": "{}"}
    assert log.share_read < 1
    assert sum(1 for _ in log.events()) == log.rows == 20_000
    assert log.share_read == 1


def test_gzip_gives_the_same_events(tmp_path: Path) -> None:
    plain, packed = tmp_path / "drive.csv", tmp_path / "drive.csv.gz"
    plain.write_bytes(LOG)
    packed.write_bytes(gzip.compress(LOG))
    assert looks_like_log(packed)
    assert list(LogFile(packed).events()) == list(LogFile(plain).events())


def test_gzip_cut_off_keeps_what_came_before(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv.gz"
    path.write_bytes(gzip.compress(LOG, compresslevel=0)[: len(LOG) // 2])
    log = LogFile(path)
    assert 5_000 < sum(1 for _ in log.events()) < 15_000
    assert log.skipped["rest of the file unreadable"] == 1


def test_ten_hours_in_constant_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.write(b"time_s,coolant_c,rpm,speed_kmh\n")
        file.writelines(b"%d.000,95,2000,50\n" % s for s in range(36_000))
    tracemalloc.start()
    rows = sum(1 for _ in LogFile(path).events())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert rows == 36_000
    assert peak < 4_000_000


@pytest.mark.parametrize("name", ["missing.csv", "missing.csv.gz", "."])
def test_what_cannot_be_opened_is_a_setup_error(tmp_path: Path, name: str) -> None:
    with pytest.raises(SetupError, match="expected a readable log file"):
        LogFile(tmp_path / name)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file: one that may not be read cannot be made")
def test_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_bytes(LOG)
    path.chmod(0)
    with pytest.raises(SetupError, match="Permission denied"):
        LogFile(path)


def test_empty_file_and_no_gzip(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").touch()
    with pytest.raises(NoDataError, match="empty file"):
        LogFile(tmp_path / "empty.csv")
    (tmp_path / "fake.csv.gz").write_bytes(LOG)
    with pytest.raises(SetupError, match=r"(?i)not a gzip"):
        LogFile(tmp_path / "fake.csv.gz")


def test_first_line_tells_a_log_from_a_capture(tmp_path: Path) -> None:
    capture = tmp_path / "can.log"
    capture.write_text("(1573221617.147776) can0 4BC#000000000ED80005\n")
    assert not looks_like_log(capture)
    (tmp_path / "drive.csv").write_bytes(LOG)
    assert looks_like_log(tmp_path / "drive.csv")
    assert not looks_like_log(tmp_path / "missing.csv")


@pytest.mark.parametrize("kind", ["by_cycle", "by_reading"])
def test_real_recording_against_the_csv_module(kind: str) -> None:
    """Outside check: Python's csv module and float read the same cells."""
    path = dataset(f"kit-obd2-2023/{kind}/kit_20170805_s_cw_normal.csv")
    log = LogFile(path)
    events = list(log.events())
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert log.skipped == {}
    assert len(events) == len(rows)
    for event, row in zip(events, rows, strict=True):
        assert isinstance(event, Sample)
        assert event.t_ms == round(float(row.pop("time_s")) * 1000)
        assert dict(event.readings) == {name: float(cell) for name, cell in row.items() if cell}


@pytest.mark.parametrize("folder", ["kit-obd2-2023", "recan-isuzu-m55"])
def test_every_real_log_reads_whole_and_agrees_with_its_published_figures(folder: str) -> None:
    """Outside check: the table of figures that came with the recordings."""
    figures = {row["file"]: row for row in csv.DictReader(dataset(f"{folder}/summary.csv").open(newline=""))}
    logs = [p for p in sorted(dataset(folder).rglob("*.csv")) if p.name not in ("summary.csv", "hot_episodes.csv")]
    assert len(logs) >= 2
    for path in logs:
        log = LogFile(path)
        coolant = [value for e in log.events() if isinstance(e, Sample) for n, value in e.readings if n == "coolant_c"]
        row = figures[path.name]
        assert log.skipped == {}, path.name
        assert (min(coolant), max(coolant)) == (float(row["ect_min"]), float(row["ect_max"])), path.name
        if path.parent.name != "by_reading":
            assert log.rows == int(row["rows"]), path.name
