"""Receivers that start cold, jump, freeze, shout twice or ten times a second, or have company on the same line.

Forms of the sentences are those of public NMEA 0183 descriptions (quality and mode letters from memory); checksums are
made here by the standard's rule, the exclusive or of everything between $ and *.
"""

from __future__ import annotations

import pytest
from geographiclib.geodesic import Geodesic

from livemon.wire.nmea import FASTEST_M_S, JUMPS_BELIEVED, OTHERS_BEFORE_SWITCH, NmeaParser, Readings


def sentence(body: str) -> bytes:
    """`body` with its checksum."""
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def clock(second: float) -> str:
    whole = int(second)
    return f"{whole // 3600 % 24:02d}{whole // 60 % 60:02d}{whole % 60:02d}.{round(100 * (second - whole)):02d}"


def degrees(value: float, wide: int) -> str:
    return f"{int(value):0{wide}d}{60.0 * (value % 1.0):07.4f}"


def gga(
    second: float,
    latitude: float = 45.0,
    height: float = 500.0,
    quality: int = 1,
    satellites: int = 9,
    hdop: float = 0.9,
    talker: str = "GP",
) -> bytes:
    place = f"{degrees(latitude, 2)},N,00700.0000,E"
    return sentence(f"{talker}GGA,{clock(second)},{place},{quality},{satellites:02d},{hdop},{height:.1f},M,47.0,M,,")


def rmc(second: float, knots: float = 40.0, mode: str = "A", talker: str = "GP") -> bytes:
    return sentence(f"{talker}RMC,{clock(second)},A,4500.0000,N,00700.0000,E,{knots},010.0,230626,,,{mode}")


def heard(*sentences: bytes) -> tuple[list[Readings], NmeaParser]:
    parser = NmeaParser()
    return parser.receive(b"".join(sentences)), parser


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "GQ", "BD", "QZ"])
def test_every_constellation_is_read(talker: str) -> None:
    got, parser = heard(gga(0, talker=talker), rmc(0, talker=talker))
    assert dict(got[0])["altitude_m"] == 500.0
    assert got[1] == (("gps_speed_kmh", 74.08),)
    assert parser.talkers == {talker: 2}


def test_a_cold_start_gives_nothing_until_there_is_a_fix() -> None:
    cold = sentence("GPGGA,,,,,,0,00,99.9,,M,,M,,"), sentence("GPRMC,,V,,,,,,,,,,N")
    got, parser = heard(*cold, sentence("GPGGA,120000.00,,,,,0,03,9.9,,M,,M,,"), gga(43_201))
    assert len(got) == 1
    assert parser.skipped == {"no fix": 3}
    assert parser.why_not == ""
    assert parser.satellites == 9


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (gga(0, quality=6), "not measured"),
        (gga(0, quality=7), "not measured"),
        (gga(0, quality=8), "not measured"),
        (gga(0, satellites=0), "fix without satellites"),
        (gga(0, hdop=14.2), "poor fix"),
        (rmc(0, mode="E"), "not measured"),
        (rmc(0, mode="N"), "not measured"),
        (gga(0).replace(b",500.0,", b",900.0,"), "broken sentence"),
        (gga(0)[:-5] + b"\r\n", "no checksum"),
        (sentence("GPGGA,120000.00,,,,,1,08,0.9,545.4,M,46.9,M,,"), "no fix"),
    ],
)
def test_what_is_no_measured_fix_is_refused_by_its_reason(told: bytes, why: str) -> None:
    got, parser = heard(told)
    assert got == []
    assert parser.skipped == {why: 1}
    assert parser.why_not == why


def test_three_satellites_give_a_place_but_no_height() -> None:
    got, _ = heard(gga(0, satellites=3))
    assert [name for name, _ in got[0]] == ["latitude_deg", "longitude_deg"]


@pytest.mark.parametrize("rate_hz", [1, 2, 5, 10])
def test_at_most_one_fix_a_second_comes_of_any_rate(rate_hz: int) -> None:
    stream = [m for k in range(20 * rate_hz) for m in (gga(k / rate_hz, 45.0 + 1e-5 * k), rmc(k / rate_hz))]
    got, parser = heard(*stream)
    assert len(got) == 40
    assert not parser.skipped


def test_a_receiver_whose_clock_stands_is_not_news() -> None:
    got, parser = heard(*(gga(7) for _ in range(30)), gga(8))
    assert len(got) == 2
    assert parser.skipped == {"its clock stands": 29}


def test_one_jump_is_refused_and_the_way_back_is_not() -> None:
    path = [gga(k, 45.0 + 0.0002 * k) for k in range(10)]
    path[5] = gga(5, 45.9)
    got, parser = heard(*path)
    assert len(got) == 9
    assert all(dict(each)["latitude_deg"] < 45.1 for each in got)
    assert parser.skipped == {"jump": 1}


def test_a_lasting_jump_is_believed_after_fixes_that_agree() -> None:
    got, _ = heard(*(gga(k, 45.0) for k in range(3)), *(gga(k, 45.5) for k in range(3, 20)))
    assert [dict(each)["latitude_deg"] for each in got[:4]] == [45.0, 45.0, 45.0, 45.5]
    assert len(got) == 3 + 17 - (JUMPS_BELIEVED - 1)


def test_fixes_that_scatter_are_never_believed() -> None:
    got, parser = heard(gga(0), *(gga(k, 45.0 + 0.3 * (k % 2 + 1)) for k in range(1, 30)))
    assert len(got) == 1
    assert parser.skipped == {"jump": 29}


def test_after_a_minute_without_a_fix_it_may_be_anywhere_and_midnight_is_no_gap() -> None:
    assert len(heard(gga(0), gga(90, 45.5))[0]) == 2
    assert len(heard(gga(86_399), gga(86_400, 45.0001), gga(86_401, 46.0))[0]) == 2


def test_what_counts_as_a_jump_is_a_speed_by_the_geodesic() -> None:
    """Source: geographiclib.  Twice the bound either way, on both sides of the antimeridian's kind of arithmetic."""
    for latitude in (0.5, 45.0, 68.0):
        for metres, passes in ((0.8 * FASTEST_M_S, True), (1.25 * FASTEST_M_S, False)):
            there = Geodesic.WGS84.Direct(latitude, 7.0, 0.0, metres)["lat2"]
            assert (len(heard(gga(0, latitude), gga(1, there))[0]) == 2) is passes


def test_a_second_receiver_is_left_aside_while_the_first_is_heard() -> None:
    stream = [m for k in range(20) for m in (gga(k, 45.0), gga(k, 45.0003, 530.0, talker="GN"))]
    got, parser = heard(*stream)
    assert {dict(each)["altitude_m"] for each in got} == {500.0}
    assert parser.skipped == {"second receiver": 20}


def test_the_second_receiver_takes_over_when_the_first_falls_silent() -> None:
    got, _ = heard(gga(0), *(gga(k, talker="GN") for k in range(1, 30)))
    assert len(got) == 1 + 29 - (OTHERS_BEFORE_SWITCH - 1)


def test_one_receiver_may_tell_its_kinds_under_different_talkers() -> None:
    got, parser = heard(*(m for k in range(20) for m in (gga(k, talker="GP"), rmc(k, talker="GN"))))
    assert len(got) == 40
    assert not parser.skipped
