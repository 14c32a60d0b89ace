"""Lamp, buzzer and switches against gpiozero's own mock pins."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

from livemon.core.events import INPUTS, Mark
from livemon.core.outcome import Level
from livemon.errors import SetupError
from livemon.outputs.lamp import BUZZER, LAMP, Lamp, LampSettings

gpiozero = pytest.importorskip("gpiozero", reason="the gpio extra is not installed")
mock = pytest.importorskip("gpiozero.pins.mock")

WIRED = LampSettings(lamp=17, buzzer=27, silence_button=22, ac_switch=23, heater_switch=24, fan_switch=25)


@pytest.fixture
def factory() -> Iterator[Any]:
    made = mock.MockFactory()
    yield made
    made.reset()


def turns(pin: Any) -> int:
    """How often the pin has gone high."""
    return sum(1 for _, state in pin.states if state)


def wait_for_turns(pin: Any, count: int, seconds: float = 5.0) -> int:
    until = time.monotonic() + seconds
    while turns(pin) < count and time.monotonic() < until:
        time.sleep(0.01)
    return turns(pin)


def test_the_lamp_follows_the_level(factory: Any) -> None:
    lamp = Lamp(WIRED, factory)
    pin = factory.pin(17)
    for level in (Level.UNKNOWN, Level.NORMAL, Level.ADVISORY):
        lamp.show(level, False, 0)
        assert turns(pin) == 0
    lamp.show(Level.WARNING, False, 0)
    assert wait_for_turns(pin, 3) >= 3, "flashing"
    lamp.show(Level.NORMAL, False, 1000)
    settled = turns(pin)
    time.sleep(0.6)
    assert turns(pin) == settled
    assert not pin.state
    lamp.close()


def test_silence_stops_the_buzzer_never_the_lamp(factory: Any) -> None:
    lamp = Lamp(WIRED, factory)
    buzzer, light = factory.pin(27), factory.pin(17)
    lamp.show(Level.CAUTION, True, 0)
    assert wait_for_turns(light, 1) >= 1
    assert turns(buzzer) == 0
    lamp.show(Level.CAUTION, False, 1000)
    assert wait_for_turns(buzzer, 3) == 3
    time.sleep(0.5)
    assert turns(buzzer) == 3, "one burst, then the pause"
    lamp.show(Level.CAUTION, False, 19_000)
    time.sleep(0.1)
    assert turns(buzzer) == 3
    lamp.show(Level.WARNING, False, 19_500)
    assert wait_for_turns(buzzer, 5) >= 5, "a worse level does not wait"
    lamp.close()
    assert factory.pin(27).function == "input", "given back"


def test_rhythms_are_slow_enough_and_apart() -> None:
    rates = {level: 1 / sum(p) for level, p in LAMP.items() if isinstance(p, tuple)}
    assert 0.4 <= rates[Level.CAUTION] <= 0.8
    assert 1.4 <= rates[Level.WARNING] <= 2.8
    for on, off, count, every in BUZZER.values():
        assert (on + off) * count < every


def test_switches_are_told_at_first_and_on_change(factory: Any) -> None:
    lamp = Lamp(WIRED, factory)
    assert lamp.marks() == (Mark(0, (("ac_on", False), ("heater_on", False), ("fan_on", False))),)
    assert lamp.marks() == ()
    factory.pin(23).drive_low()
    assert wait_for_marks(lamp) == (Mark(0, (("ac_on", True),)),)
    factory.pin(22).drive_low()
    assert wait_for_marks(lamp) == (Mark(0, (("silenced", True),)),)
    assert lamp.marks() == (), "a press is told once"
    factory.pin(22).drive_high()
    factory.pin(23).drive_high()
    assert wait_for_marks(lamp) == (Mark(0, (("ac_on", False),)),)
    assert all(name in INPUTS for name in ("ac_on", "heater_on", "fan_on", "silenced"))
    lamp.close()


def wait_for_marks(lamp: Lamp) -> tuple[Mark, ...]:
    until = time.monotonic() + 5
    while time.monotonic() < until:
        marks = lamp.marks()
        if marks:
            return marks
        time.sleep(0.01)
    return ()


def test_nothing_wired_needs_no_library_and_does_nothing() -> None:
    lamp = Lamp(LampSettings())
    lamp.show(Level.WARNING, False, 0)
    assert lamp.marks() == ()
    assert lamp.notes == []
    lamp.close()


def test_a_pin_that_cannot_be_had_is_told_and_the_rest_works(factory: Any) -> None:
    taken = gpiozero.LED(17, pin_factory=factory)
    lamp = Lamp(WIRED, factory)
    assert len(lamp.notes) == 1
    assert "GPIO 17 for lamp" in lamp.notes[0]
    lamp.show(Level.CAUTION, False, 0)
    assert wait_for_turns(factory.pin(27), 1) >= 1
    lamp.close()
    taken.close()


@pytest.mark.parametrize("bad", [LampSettings(lamp=1), LampSettings(lamp=28), LampSettings(lamp=5, buzzer=5)])
def test_impossible_pins_are_refused(bad: LampSettings) -> None:
    with pytest.raises(SetupError, match="lamp"):
        Lamp(bad)
