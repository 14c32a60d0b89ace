"""NMEA 0183 sentences: published examples, torn and noisy streams.

The two sentences are the ones printed in public NMEA 0183 tutorials (GGA with 545.4 m, RMC with 22.4 knots); their
checksums are checked by the library.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.wire.nmea import NmeaParser

GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
RMC = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
POSITION = (("latitude_deg", 48.1173), ("longitude_deg", 11.516667), ("altitude_m", 545.4))
SPEED = (("gps_speed_kmh", 41.48),)


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_published_sentences_in_pieces_of_any_size(size: int) -> None:
    stream, parser = GGA + RMC, NmeaParser()
    got = [r for k in range(0, len(stream), size) for r in parser.receive(stream[k : k + size])]
    assert got == [POSITION, SPEED]


def test_noise_before_a_sentence_and_a_tail_after_it() -> None:
    assert NmeaParser().receive(b"\x00\xff!!" + GGA + RMC[:20]) == [POSITION]


def test_a_flipped_digit_fails_the_checksum_and_is_counted() -> None:
    parser = NmeaParser()
    assert parser.receive(GGA.replace(b"545.4", b"945.4")) == []
    assert parser.skipped["broken sentence"] == 1


@pytest.mark.parametrize(
    "sentence",
    [
        b"$GPGGA,123519,,,,,0,00,99.9,,M,,M,,*6A\r\n",
        b"$GPRMC,123519,V,,,,,,,230394,,*33\r\n",
    ],
)
def test_no_fix_gives_no_reading(sentence: bytes) -> None:
    body = sentence[1 : sentence.index(b"*")]
    check = 0
    for byte in body:
        check ^= byte
    parser = NmeaParser()
    assert parser.receive(b"$%s*%02X\r\n" % (body, check)) == []
    assert parser.skipped["no fix"] == 1


def test_other_sentences_are_passed_over() -> None:
    assert NmeaParser().receive(b"$GPGSV,1,1,00*79\r\n") == []


@given(st.lists(st.binary(max_size=400), max_size=20))
def test_no_bytes_raise_and_memory_is_bounded(chunks: list[bytes]) -> None:
    parser = NmeaParser()
    for chunk in chunks:
        parser.receive(chunk)
    assert len(parser._buffer) <= 256
