"""The recorder where power just stops: what is lost, what never breaks, and that no disk can stop the monitor."""

from __future__ import annotations

import errno
import mmap
import os
import random
import resource
import shutil
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from livemon.core.events import Event, Link, Mark, Sample
from livemon.core.outcome import Level, Outcome, Status
from livemon.outputs.drive_files import drives, prune
from livemon.outputs.files import write_whole
from livemon.outputs.recorder import MAX_WAITING, Recorder, RecorderSettings
from livemon.readers.log_file import LogFile

KILLS = int(os.environ.get("LIVEMON_KILLS", "25"))  # the long run of docs/log-form.md sets 200


def second_of(drive_s: int) -> list[Event]:
    """What came in during one second: a few readings, now and then a mark."""
    t_ms = drive_s * 1000
    events: list[Event] = [
        Sample(t_ms + 100, (("coolant_c", 90.0 + drive_s % 10),), ecu="7E8"),
        Sample(t_ms + 200, (("speed_kmh", 50.0), ("rpm", 2000.0 + drive_s))),
        Sample(t_ms + 900, (("maf_g_s", drive_s % 600 + 0.25),)),
    ]
    if drive_s % 7 == 0:
        events.append(Mark(t_ms + 950, (("ac_on", drive_s % 2 == 0),), f'hill "{drive_s}", second\nline'))
    return events


def said(t_ms: int, level: Level = Level.NORMAL) -> Outcome:
    return Outcome(t_ms, Status.LIVE, level)


def drive(recorder: Recorder, seconds: range, level: Callable[[int], Level] = lambda _: Level.NORMAL) -> list[Event]:
    """Feeds seconds of a drive; returns all that went in."""
    fed: list[Event] = []
    for drive_s in seconds:
        for event in second_of(drive_s):
            recorder.event(event)
            fed.append(event)
        recorder.outcome(said((drive_s + 1) * 1000, level(drive_s)))
    return fed


def made(folder: Path, *, total_mb: float = 100, **how: object) -> Recorder:
    settings = RecorderSettings(folder=str(folder), total_mb=total_mb)
    return Recorder(settings, {"livemon": "1"}, utc=lambda: "", background=False, **how)  # type: ignore[arg-type]  # test only


def replayed(path: Path) -> list[Event]:
    return list(LogFile(path).events())


def test_a_drive_replays_as_it_was_consumed(tmp_path: Path) -> None:
    recorder = made(tmp_path)
    fed = [Link(0, False, "starting"), *[]]
    recorder.event(fed[0])
    fed += drive(recorder, range(20))
    recorder.event(Link(20_500, False, "stopped"))
    recorder.close()
    log = LogFile(tmp_path / "drive-000001.csv")
    assert list(log.events()) == [*fed, Link(20_500, False, "stopped")]
    assert log.metadata == {"format": "1", "livemon": "1"}
    assert recorder.problem is None


def test_the_thread_records_the_same(tmp_path: Path) -> None:
    settings = RecorderSettings(folder=str(tmp_path / "deep" / "folder"))
    recorder = Recorder(settings, {}, utc=lambda: "")
    fed = drive(recorder, range(50))
    recorder.close(patience_s=30)
    assert replayed(tmp_path / "deep" / "folder" / "drive-000001.csv") == fed


def test_switched_off_leaves_nothing(tmp_path: Path) -> None:
    recorder = Recorder(RecorderSettings(on=False, folder=str(tmp_path / "none")), {}, utc=lambda: "")
    drive(recorder, range(5))
    recorder.close()
    assert not (tmp_path / "none").exists()
    assert recorder.problem is None


def test_drive_without_a_reading_leaves_no_file(tmp_path: Path) -> None:
    recorder = made(tmp_path)
    recorder.event(Link(0, False, "no adapter"))
    recorder.outcome(said(1000))
    assert len(drives(tmp_path)) == 1, "it is there while the drive lasts"
    recorder.close()
    assert drives(tmp_path) == []


# Sync


def test_synced_within_five_seconds_and_at_every_change_of_level(tmp_path: Path) -> None:
    now_s, syncs = 0, []
    recorder = made(tmp_path, sync=lambda handle: syncs.append(now_s))
    levels = {12: Level.CAUTION, 13: Level.CAUTION, 14: Level.CAUTION}
    for now_s in range(40):
        drive(recorder, range(now_s, now_s + 1), lambda s: levels.get(s, Level.NORMAL))
    assert max(b - a for a, b in zip([0, *syncs], [*syncs, 39], strict=True)) <= 5
    assert {12, 15} <= set(syncs), "the change to caution, and the change back"
    assert len(syncs) < 14, "a card wears by syncs"


def test_wall_time_only_when_true_and_once_a_second(tmp_path: Path) -> None:
    true_from_s, now_s = 3, 0
    recorder = Recorder(
        RecorderSettings(folder=str(tmp_path)),
        {},
        utc=lambda: "2026-07-01T10:00:00Z" if now_s >= true_from_s else "",
        background=False,
    )
    fed: list[Event] = []
    for now_s in range(6):
        fed += drive(recorder, range(now_s, now_s + 1))
    recorder.close()
    text = (tmp_path / "drive-000001.csv").read_text()
    assert text.count("2026-07-01") == 3
    assert replayed(tmp_path / "drive-000001.csv") == fed, "wall time is a remark, never an input"


# Kill and power loss


def test_kill_9_loses_at_most_the_last_second(tmp_path: Path) -> None:
    """A child records as fast as it can and tells in shared memory which second it has handed over."""
    seed = 20_260_701
    moments = random.Random(seed)
    for round_ in range(KILLS):
        folder = tmp_path / str(round_)
        shared = mmap.mmap(-1, 8)
        child = os.fork()
        if child == 0:  # pragma: no cover - dies by signal
            recorder = made(folder)
            for drive_s in range(1_000_000):
                drive(recorder, range(drive_s, drive_s + 1))
                shared[:8] = (drive_s + 1).to_bytes(8, "little")
            os._exit(0)
        moment = moments.randint(1, 300)
        while int.from_bytes(shared[:8], "little") < moment:
            os.sched_yield()
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        whole = int.from_bytes(shared[:8], "little")
        got = replayed(folder / "drive-000001.csv")
        want = [e for s in range(whole + 1) for e in second_of(s)]
        assert got[: len(got)] == want[: len(got)], f"seed {seed}, round {round_}: a row differs"
        assert len(got) >= sum(len(second_of(s)) for s in range(whole)), f"seed {seed}, round {round_}"
        shutil.rmtree(folder)


def test_power_loss_costs_at_most_five_seconds_and_never_an_earlier_row(tmp_path: Path) -> None:
    """After the last fsync anything may be on the disk: less, or blocks of 512 bytes that read as zeros."""
    seed = 7
    chance = random.Random(seed)
    now_s = 0
    synced: list[tuple[int, int]] = []  # second, bytes that were brought to the disk
    recorder = made(tmp_path, sync=lambda handle: synced.append((now_s, os.fstat(handle).st_size)))
    sizes: list[int] = []
    fed: list[Event] = []
    for now_s in range(300):
        fed += drive(recorder, range(now_s, now_s + 1))
        sizes.append((tmp_path / "drive-000001.csv").stat().st_size)
    data = (tmp_path / "drive-000001.csv").read_bytes()
    known = set(fed)
    for round_ in range(200):
        cut_s = chance.randrange(10, 300)
        last_s, safe = max(pair for pair in synced if pair[0] <= cut_s)
        reached = chance.randint(safe, sizes[cut_s])
        torn = bytearray(data[:reached])
        for block in range(-(-safe // 512), reached // 512 + 1):
            if chance.random() < 0.5:
                end = min((block + 1) * 512, reached)
                torn[block * 512 : end] = bytes(max(end - block * 512, 0))
        path = tmp_path / "torn.csv"
        path.write_bytes(torn)
        got = replayed(path)
        whole = [e for e in fed if e.t_ms < (last_s + 1) * 1000]
        assert got[: len(whole)] == whole, f"seed {seed}, round {round_}: an earlier row broke"
        assert cut_s - last_s <= 5
        assert known.issuperset(got), f"seed {seed}, round {round_}: a row that never was"


# Disks that fail


def full(after: int, until: list[bool]) -> Callable[[int, bytes], int]:
    """A disk that takes `after` bytes, then half of one write, then nothing until `until` is emptied."""
    left = after

    def write(handle: int, data: bytes) -> int:
        nonlocal left
        if not until or len(data) <= left:
            left -= len(data)
            return os.write(handle, data)
        if left > 0:
            part, left = left, 0
            return os.write(handle, data[:part])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    return write


def test_disk_full_is_told_and_nothing_is_lost_when_space_comes_back(tmp_path: Path) -> None:
    is_full = [True]
    recorder = made(tmp_path, write=full(3_000, is_full))
    fed = drive(recorder, range(60))
    assert recorder.problem is not None
    assert "No space left on device" in recorder.problem
    path = tmp_path / "drive-000001.csv"
    assert path.read_bytes().endswith(b"\n"), "cut back to the last whole row"
    is_full.clear()
    fed += drive(recorder, range(60, 80))
    assert recorder.problem is None
    recorder.close()
    assert replayed(path) == fed


def test_disk_full_for_long_loses_the_oldest_and_says_how_much(tmp_path: Path) -> None:
    recorder = made(tmp_path, write=full(3_000, [True]))
    drive(recorder, range(MAX_WAITING + 60))
    assert recorder.problem is not None
    assert "not recorded" in recorder.problem


def test_disk_full_from_the_first_byte(tmp_path: Path) -> None:
    recorder = made(tmp_path, write=full(0, [True]))
    drive(recorder, range(30))
    assert "No space left" in str(recorder.problem)
    assert drives(tmp_path) == [], "no file without its header is left behind"


def test_real_limit_of_the_system_cuts_no_row(tmp_path: Path) -> None:
    """The kernel's own refusal (file size limit) in the middle of a row, in a child of its own."""
    child = os.fork()
    if child == 0:  # pragma: no cover - another process
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (5_001, 5_001))
        recorder = made(tmp_path)
        drive(recorder, range(200))
        os._exit(0 if "File too large" in str(recorder.problem) else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    path = tmp_path / "drive-000001.csv"
    assert path.read_bytes().endswith(b"\n")
    assert LogFile(path).skipped == {}


@pytest.mark.parametrize("folder", ["/proc/livemon", "/dev/null/drives"])
def test_folder_that_cannot_be_made(folder: str) -> None:
    recorder = made(Path(folder))
    drive(recorder, range(30))
    assert str(recorder.problem).startswith("recording: ")
    recorder.close()


def test_folder_removed_under_way_begins_a_new_file_without_loss_since_the_last_sync(tmp_path: Path) -> None:
    folder = tmp_path / "drives"
    recorder = made(folder)
    drive(recorder, range(10))
    shutil.rmtree(folder)
    problems = set()
    for drive_s in range(10, 30):
        drive(recorder, range(drive_s, drive_s + 1))
        problems.add(recorder.problem)
    recorder.close()
    assert any(p and "No such file" in p for p in problems), "it is told"
    assert recorder.problem is None, "and it goes on"
    got = replayed(folder / "drive-000001.csv")
    assert got == [e for s in range(9, 30) for e in second_of(s)], "with second 9, which was not synced yet"


def test_slow_disk_never_delays_the_monitor(tmp_path: Path) -> None:
    """The disk hangs in its first write until released: every call of the monitor returns all the same."""
    hangs, release = threading.Event(), threading.Event()

    def hanging(handle: int, data: bytes) -> int:
        hangs.set()
        release.wait(60)
        return os.write(handle, data)

    settings = RecorderSettings(folder=str(tmp_path))
    recorder = Recorder(settings, {}, utc=lambda: "", write=hanging)
    fed = drive(recorder, range(1))
    assert hangs.wait(30)
    fed += drive(recorder, range(1, MAX_WAITING + 50))
    assert "too slow" in str(recorder.problem)
    release.set()
    recorder.close(patience_s=30)
    got = replayed(tmp_path / "drive-000001.csv")
    assert got == fed[: len(got)]
    assert len(got) > MAX_WAITING * 3


def test_a_fault_of_our_own_in_the_thread_is_told(tmp_path: Path) -> None:
    def faulty(handle: int, data: bytes) -> int:
        raise ZeroDivisionError("of our own")

    recorder = Recorder(RecorderSettings(folder=str(tmp_path)), {}, utc=lambda: "", write=faulty)
    drive(recorder, range(3))
    recorder.close(patience_s=30)
    assert recorder.problem == "recording: ZeroDivisionError: of our own"


# Names and total


def test_names_count_on_and_sort_without_a_clock(tmp_path: Path) -> None:
    for _ in range(3):
        recorder = made(tmp_path)
        drive(recorder, range(2))
        recorder.close()
    (tmp_path / "drive-000002.csv").unlink()
    recorder = made(tmp_path)
    drive(recorder, range(2), lambda _: Level.WARNING)
    recorder.close()
    names = [path.name for path in drives(tmp_path)]
    assert names == ["drive-000001.csv", "drive-000003.csv", "drive-000004-warning.csv"]
    assert sorted(names) == names


def sized(folder: Path, **sizes: int) -> dict[str, Path]:
    paths = {}
    for name, size in sizes.items():
        paths[name] = folder / (name.replace("_", "-") + ".csv")
        paths[name].write_bytes(b"x" * size)
    return paths


def test_oldest_go_first_warnings_last_the_current_never(tmp_path: Path) -> None:
    files = sized(tmp_path, drive_000001_warning=100, drive_000002=100, drive_000003=100, drive_000004=100)
    (tmp_path / "notes.txt").write_text("mine")
    current = files["drive_000004"]

    def left(total: int) -> list[int]:
        prune(tmp_path, total, current)
        return [int(path.name[6:12]) for path in drives(tmp_path)]

    assert left(400) == [1, 2, 3, 4]
    assert left(399) == [1, 3, 4]
    assert left(250) == [1, 4]
    assert left(150) == [4], "a drive with a warning only when it must"
    assert left(10) == [4], "never the current one"
    assert (tmp_path / "notes.txt").exists()


def test_total_stays_bounded_over_many_drives(tmp_path: Path) -> None:
    for _ in range(12):
        recorder = made(tmp_path, total_mb=0.1)
        drive(recorder, range(200))
        recorder.close()
        assert sum(path.stat().st_size for path in drives(tmp_path)) <= 0.1e6 + 45_000
    assert drives(tmp_path)[-1].name == "drive-000012.csv"


def test_a_drive_longer_than_the_total_stops_and_says_so(tmp_path: Path) -> None:
    recorder = made(tmp_path, total_mb=0.02)
    drive(recorder, range(400))
    assert "recorder.total" in str(recorder.problem)
    assert (tmp_path / "drive-000001.csv").stat().st_size < 0.02e6 + 45_000


# Settings written in one step


def test_write_whole_leaves_the_old_or_the_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "vehicle.yaml"
    write_whole(path, "old\n")

    def broken(handle: int) -> None:
        raise OSError(errno.EIO, "the card is gone")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(OSError, match="card"):
        write_whole(path, "new\n")
    assert path.read_text() == "old\n"
    assert list(tmp_path.iterdir()) == [path], "no temporary file stays"
    monkeypatch.undo()
    write_whole(path, "new\n")
    assert path.read_text() == "new\n"


@pytest.fixture(autouse=True)
def _no_thread_stays() -> Iterator[None]:
    before = threading.active_count()
    yield
    for thread in threading.enumerate():
        if thread.name == "recorder":
            thread.join(10)
    assert threading.active_count() <= before
