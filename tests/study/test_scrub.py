"""A scrubbed log: nothing that tells who, where or when, and the same levels on replay."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.core.events import SIGNALS, Link, Mark, Sample
from livemon.core.figures import Figure
from livemon.core.vehicle import VehicleProfile
from livemon.errors import SetupError
from livemon.files import vehicle_file
from livemon.readers.log_file import LogFile
from livemon.study.scrub import POSITION, Keep, anonymous, scrubbed
from livemon.verbs.review_scrub import scrub
from tests.replays import FOLDER, say

PASS = FOLDER / "pass-crosses-limit" / "log.csv"
VIN = "1M8GDM9AXKP042788"
"""The example of a check digit in 49 CFR 565 (from memory); no vehicle has it."""
TELLING = f"""# format: 1
# owner: Someone Somewhere
# vin: {VIN}
# settings: {{"drive.limit":"104 C","unknown.key":"{VIN}"}}
# vehicle: {json.dumps({**json.loads(vehicle_file.to_header(VehicleProfile())), "name": "Someone's wagon"})}
time_s,utc,coolant_c,latitude_deg,longitude_deg,altitude_m,codes,ecu,link,note,vin
0.000,,,,,,,,up: /dev/serial/by-id/usb-{VIN},,
1.000,2031-07-04T12:00:00Z,95,46.123456,7.654321,1234.5,P0217 {VIN},7E8,,"home, 5 Some Street",{VIN}
2.000,2031-07-04T12:00:01Z,96,46.123457,7.654322,1234.9,,{VIN},down: usb-{VIN},,{VIN}
"""


def test_nothing_that_tells_is_left(tmp_path: Path) -> None:
    log, copy = tmp_path / "log.csv", tmp_path / "copy.csv"
    log.write_text(TELLING)
    before = log.read_bytes()
    found = scrub(log, copy, Keep())
    text = copy.read_text()
    for word in (VIN, "Some", "46.1", "7.65", "2031", "/dev", "owner"):
        assert word not in text, word
    assert "P0217" in text
    assert "7E8" in text
    assert "1234.5" in text, "height stays: the levels need it"
    assert found.positions == 2
    assert log.read_bytes() == before
    header = LogFile(copy).metadata
    assert set(header) == {"format", "livemon", "settings", "vehicle"}
    assert json.loads(header["settings"])["drive.limit"] == "104 C"


def test_notes_and_height_on_request(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TELLING)
    scrub(log, tmp_path / "notes.csv", Keep(notes=True))
    scrub(log, tmp_path / "flat.csv", Keep(height=False))
    assert "5 Some Street" in (tmp_path / "notes.csv").read_text()
    assert "1234" not in (tmp_path / "flat.csv").read_text()


def test_replays_to_the_same_lines(tmp_path: Path) -> None:
    """A drive with GPS, its fix never frozen: every line of the replay is the same, to the byte."""
    short = tmp_path / "short.csv"
    lines = PASS.read_text().splitlines(keepends=True)
    short.write_text("".join(lines[:700]))
    assert "latitude_deg" in short.read_text()
    found = scrub(short, tmp_path / "copy.csv", Keep())
    assert found.positions > 500
    assert say(short)[:-1] == say(tmp_path / "copy.csv")[:-1]


def test_packed_copy_holds_no_name_or_time(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TELLING)
    scrub(log, tmp_path / "mine-1.csv.gz", Keep())
    data = (tmp_path / "mine-1.csv.gz").read_bytes()
    assert data[4:8] == b"\0\0\0\0", "RFC 1952: MTIME"
    assert not data[3] & 0b1000, "RFC 1952: no FNAME"
    assert b"coolant_c" in gzip.decompress(data)


@pytest.mark.parametrize("name", ["log.csv", "link.csv", "other.csv"])
def test_writes_over_nothing(tmp_path: Path, name: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TELLING)
    (tmp_path / "link.csv").symlink_to(log)
    (tmp_path / "other.csv").write_text("precious")
    with pytest.raises(SetupError, match="not there yet"):
        scrub(log, tmp_path / name, Keep())
    assert log.read_text() == TELLING
    assert (tmp_path / "other.csv").read_text() == "precious"


def test_a_failed_copy_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "log.csv"
    log.write_text(TELLING)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("livemon.verbs.review_scrub.scrubbed", full)
    with pytest.raises(SetupError, match="No space"):
        scrub(log, tmp_path / "copy.csv", Keep())
    assert not (tmp_path / "copy.csv").exists()


words = st.text(max_size=30)
readings = st.lists(st.sampled_from(sorted(SIGNALS)), unique=True).map(lambda names: tuple((n, 1.0) for n in names))


@given(readings, words, words, words)
def test_no_free_text_gets_through(told: tuple[tuple[str, float], ...], text: str, unit: str, note: str) -> None:
    sample = scrubbed(Sample(5, told, text, unit), Keep())
    assert isinstance(sample, Sample)
    assert sample.readings == tuple(pair for pair in told if pair[0] not in POSITION)
    assert all(len(word) == 5 or word == "unreadable" for word in (sample.codes or "").split())
    assert sample.ecu is None or len(sample.ecu) <= 8
    link = scrubbed(Link(5, False, text), Keep())
    assert link == Link(5, False, text if text in ("", "starting", "stopped") else "lost")
    mark = scrubbed(Mark(5, (("ac_on", True),), note), Keep())
    assert mark == Mark(5, (("ac_on", True),), "note" if note else note)


def test_figures_stay_to_the_last_bit() -> None:
    mine = VehicleProfile("My name", typed={"mass_kg": Figure(2317.123456789, 12.3, "weighed at Some Street")})
    theirs = anonymous(mine)
    assert theirs.typed["mass_kg"].likely == 2317.123456789
    assert "Some" not in vehicle_file.to_header(theirs)
