"""Many eyes on one monitor: each viewer gets each line, and no viewer can delay, stop or mislead the monitor."""

from __future__ import annotations

import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from livemon.core.events import Mark
from livemon.errors import SetupError
from livemon.outputs import feed as room
from livemon.outputs.attach import Attached
from livemon.outputs.feed import Feed, FeedSettings


@pytest.fixture
def path(tmp_path: Path) -> str:
    return str(tmp_path / "feed.sock")


@pytest.fixture
def feed(path: str) -> Iterator[Feed]:
    made = Feed(FeedSettings(path), greeting={"units": "metric"})
    yield made
    made.close()


def line(second: int, filler: int = 0) -> bytes:
    return json.dumps({"time_s": second, "filler": "x" * filler}).encode() + b"\n"


def attach(path: str) -> socket.socket:
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    link.settimeout(5)
    link.connect(path)
    return link


def seconds(viewer: Attached) -> list[int]:
    return [json.loads(each)["time_s"] for each in viewer.wait(0.05)]


def test_several_viewers_come_go_and_come_again(feed: Feed, path: str) -> None:
    one, two = Attached(path), Attached(path)
    assert one.wait(0) == two.wait(0) == []
    feed.poll(0)
    feed.publish(line(1))
    assert seconds(one) == seconds(two) == [1]
    assert one.greeting["units"] == "metric"
    one.detach()
    feed.poll(1000)
    feed.publish(line(2))
    assert seconds(two) == [2]
    assert feed.viewers == 1
    one._tried_s = None  # its second of patience is over
    one.wait(0)
    feed.poll(2000)
    assert seconds(one) == [2], "the newest line meets a new viewer at once"
    one.detach()
    two.detach()


def test_a_viewer_outlives_the_monitor(path: str) -> None:
    viewer = Attached(path)
    assert viewer.wait(0) == []
    assert not viewer.connected
    for life in (1, 2):
        feed = Feed(FeedSettings(path))
        viewer._tried_s = None
        viewer.wait(0)
        feed.poll(0)
        feed.publish(line(life))
        assert seconds(viewer) == [life]
        feed.close()
        assert viewer.wait(0.02) == []
        assert not viewer.connected


def test_the_trail_meets_a_new_viewer_and_is_bounded(feed: Feed, path: str) -> None:
    for second in range(3000):
        feed.publish(line(second), time_s=float(second), estimate_c=90 + second / 1000)
    viewer = Attached(path)
    viewer.wait(0)
    feed.poll(0)
    viewer.wait(0.05)
    trail = viewer.greeting["trail"]
    assert len(trail) == room.TRAIL_POINTS
    assert trail[-1] == [2990.0, 93.0]
    feed.publish(line(0), time_s=0.0, estimate_c=20.0)
    assert list(feed._trail) == [(0.0, 20.0)], "a new drive begins a new trail"
    viewer.detach()


def test_a_viewer_that_does_not_read_loses_lines_and_is_let_go(feed: Feed, path: str) -> None:
    slow, quick = attach(path), Attached(path)
    quick.wait(0)
    feed.poll(0)
    for second in range(200):
        feed.publish(line(second, 2000))
        assert seconds(quick) == [second], "a slow neighbour costs the quick one nothing"
    assert feed.viewers == 1
    assert feed.let_go == 1
    slow.settimeout(1)
    got = b""
    while piece := slow.recv(65536):
        got += piece
    *whole, torn = got.split(b"\n")
    assert [json.loads(each)["time_s"] for each in whole[1:]] == list(range(len(whole) - 1)), "no line has a hole"
    assert len(got) < 40 * 1024 * 8, f"bounded memory, {torn[:10]!r} torn"


def test_a_viewer_that_reads_again_gets_whole_lines_again(feed: Feed, path: str) -> None:
    viewer = attach(path)
    feed.poll(0)
    for second in range(60):
        feed.publish(line(second, 2000))
        if feed._viewers[0].missed >= 10:
            break
    else:
        raise AssertionError("the kernel's buffer never filled")
    viewer.setblocking(False)
    got = b""
    for second in range(100, 120):
        try:
            while piece := viewer.recv(65536):
                got += piece
        except BlockingIOError:
            pass
        feed.publish(line(second, 2000))
    told = [json.loads(each)["time_s"] for each in got.split(b"\n")[1:-1]]
    assert told == sorted(told)
    assert told[-1] == second - 1
    assert feed.viewers == 1
    viewer.close()


def test_two_hundred_idle_connections_are_bounded(feed: Feed, path: str) -> None:
    idle, refused = [], 0
    for _ in range(200):
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        link.setblocking(False)
        try:
            link.connect(path)
        except BlockingIOError:  # the kernel's queue is full
            refused += 1
            link.close()
            feed.poll(0)
            continue
        idle.append(link)
    for second in range(60):
        feed.poll(second * 1000)
        feed.publish(line(second))
    assert feed.viewers <= room.MAX_VIEWERS
    assert refused + feed.refused >= 200 - room.MAX_VIEWERS
    for link in idle:
        link.close()
    feed.publish(line(61))
    late = Attached(path)
    late.wait(0)
    feed.poll(62_000)
    feed.publish(line(62))
    assert seconds(late)[-1] == 62, "once they are gone there is room again"
    late.detach()


def test_marks_of_the_passenger_reach_the_monitor(feed: Feed, path: str) -> None:
    viewer = Attached(path)
    viewer.wait(0)
    feed.poll(0)
    assert viewer.declare(inputs={"ac_on": False, "heater_on": True})
    assert viewer.declare(note="grille cleaned")
    assert feed.poll(1000) == (
        Mark(0, (("ac_on", False), ("heater_on", True))),
        Mark(0, (), "grille cleaned"),
    )
    assert feed.poll(1001) == ()
    viewer.detach()


BAD = [
    b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
    b"{}\n",
    b"[]\n",
    b'{"inputs": {"limit_c": true}}\n',
    b'{"inputs": {"ac_on": 1}}\n',
    b'{"inputs": 5}\n',
    b'{"note": ""}\n',
    b'{"note": "' + b"x" * 81 + b'"}\n',
    b'{"note": "a\\nb"}\n',
    b'{"note": "x", "level": "normal"}\n',
    b"\xff\xfe\n",
    b"[" * 255 + b"\n",
    b"x" * 300,
    b'{"note": "flood"}\n' * 5,
]


@pytest.mark.parametrize("request_", BAD, ids=range(len(BAD)))
def test_anything_else_ends_the_connection(feed: Feed, path: str, request_: bytes) -> None:
    viewer = attach(path)
    feed.poll(0)
    viewer.sendall(request_)
    marks = feed.poll(0)
    assert len(marks) <= room.MAX_REQUESTS_PER_S
    assert feed.viewers == 0
    viewer.close()


def test_all_viewers_together_cannot_drown_the_recording(feed: Feed, path: str) -> None:
    marks: list[Mark] = []
    for _ in range(40):
        viewer = attach(path)
        feed.poll(0)
        viewer.sendall(b'{"note": "flood"}\n')
        marks += feed.poll(0)
        viewer.close()
    assert len(marks) == room.MAX_MARKS_PER_S
    viewer = attach(path)
    feed.poll(1000)
    viewer.sendall(b'{"note": "next second"}\n')
    assert feed.poll(1000) == (Mark(0, (), "next second"),)
    viewer.close()


def test_marks_can_be_switched_off(path: str) -> None:
    feed = Feed(FeedSettings(path, marks=False))
    viewer = attach(path)
    feed.poll(0)
    viewer.sendall(b'{"note": "x"}\n')
    assert feed.poll(0) == ()
    assert feed.viewers == 0
    viewer.close()
    feed.close()


def test_a_slow_trickle_of_marks_is_heard_whole(feed: Feed, path: str) -> None:
    viewer = attach(path)
    feed.poll(0)
    marks: list[Mark] = []
    for now_ms, byte in enumerate(b'{"note": "steam?"}\n'):
        viewer.sendall(bytes([byte]))
        marks += feed.poll(now_ms)
    assert marks == [Mark(0, (), "steam?")]
    viewer.close()


def test_only_owner_and_group_may_connect(feed: Feed, path: str) -> None:
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o660
    if os.geteuid() != 0:
        pytest.skip("trying it as another user needs root")
    os.chmod(Path(path).parent, 0o755)
    code = f"import os,socket;os.setgid(65534);os.setuid(65534);socket.socket(socket.AF_UNIX).connect({path!r})"
    for folder in Path(path).parents:
        if folder.stat().st_mode & 0o001 == 0:
            os.chmod(folder, folder.stat().st_mode | 0o001)
    tried = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=False)
    assert "PermissionError" in tried.stderr


def test_a_second_monitor_is_refused_and_a_dead_ones_socket_is_replaced(path: str) -> None:
    first = Feed(FeedSettings(path))
    with pytest.raises(SetupError, match="no other monitor"):
        Feed(FeedSettings(path))
    first._door.close()  # died without a word: its file stays
    second = Feed(FeedSettings(path))
    first.close()
    assert os.path.exists(path), "the late end of the first leaves the second's socket alone"
    second.close()
    assert not os.path.exists(path)


def test_a_path_that_will_not_do_is_told(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="a path where"):
        Feed(FeedSettings(str(tmp_path / "nowhere" / "feed.sock")))
    (tmp_path / "file").write_text("mine")
    with pytest.raises(SetupError, match="another kind of file"):
        Feed(FeedSettings(str(tmp_path / "file")))
    assert (tmp_path / "file").read_text() == "mine"
