"""What is said when a serial port fails: words for people, whichever of pyserial's ways the error came."""

from __future__ import annotations

import errno
import os

import pytest
import serial

from livemon.readers.base import port_words


def failed_in_the_middle(number: int) -> Exception:
    """As pyserial tells a failed read or write: its own error, the system's behind it."""
    try:
        try:
            raise OSError(number, os.strerror(number))
        except OSError as error:
            raise serial.SerialException(f"write failed: {error}")  # noqa: B904 - as pyserial does
    except serial.SerialException as told:
        return told


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialException(errno.EIO, "could not open"), "the device vanished"),
        (failed_in_the_middle(errno.EIO), "the device vanished"),
        (failed_in_the_middle(errno.ENXIO), "the device vanished"),
        (serial.SerialException("device reports readiness to read but returned no data"), "the device vanished"),
        (serial.SerialException(errno.ENOENT, "could not open"), "no such device: is the adapter plugged in?"),
        (serial.SerialException("something else"), "something else"),
    ],
)
def test_port_trouble_in_words(error: Exception, words: str) -> None:
    assert port_words(error, "adapter") == words
