"""Engine-off, asking and power-off, told as short stories of one vehicle; battery figures are common practice."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from livemon.core.events import Link, Mark, Sample
from livemon.core.ignition import (
    Asking,
    Engine,
    Ignition,
    IgnitionSettings,
    at_tick,
    hear,
)

SETTINGS = IgnitionSettings()


class Story:
    """Plays seconds of driving, standing or silence into the state, as a reader would."""

    def __init__(self, settings: IgnitionSettings = SETTINGS) -> None:
        self.settings, self.state, self.second = settings, Ignition(), 0

    def seconds(
        self,
        count: int,
        *,
        rpm: float | None = None,
        speed: float | None = None,
        volts: float | None = None,
        volts_every: int = 5,
    ) -> list[Asking]:
        asked = []
        for _ in range(count):
            t_ms = self.second * 1000
            readings = []
            if self.state.asking is Asking.FULL or (self.state.asking is Asking.SELDOM and self.second % 60 == 0):
                readings += [("rpm", rpm)] if rpm is not None else []
                readings += [("speed_kmh", speed)] if speed is not None else []
            if volts is not None and self.second % volts_every == 0:
                readings.append(("voltage_v", volts))
            if readings:
                self.state = hear(self.state, Sample(t_ms, tuple(readings)), self.settings)
            self.state = at_tick(self.state, t_ms, self.settings)
            asked.append(self.state.asking)
            self.second += 1
        return asked

    def tell(self, event: Link | Mark) -> None:
        self.state = hear(self.state, replace(event, t_ms=self.second * 1000), self.settings)

    def driven_and_parked(self) -> Story:
        self.seconds(60, rpm=2200, speed=60, volts=14.2)
        self.seconds(30, rpm=750, speed=0, volts=14.1)
        self.seconds(120, volts=12.8)
        return self


def test_running_is_seen_at_the_first_turning_reading() -> None:
    story = Story()
    story.seconds(1)
    assert story.state.engine is Engine.UNKNOWN
    story.seconds(1, rpm=700)
    assert story.state.engine is Engine.RUNNING


def test_a_misread_zero_is_not_engine_off() -> None:
    story = Story()
    story.seconds(20, rpm=2000, speed=80)
    story.seconds(3, rpm=0, speed=80)
    assert story.state.engine is Engine.RUNNING
    story.seconds(5, rpm=2000, speed=80)
    assert story.state.engine is Engine.RUNNING


def test_key_on_engine_off_stops_the_asking_after_a_minute() -> None:
    story = Story()
    story.seconds(60, rpm=800, speed=0, volts=14.1)
    asked = story.seconds(90, rpm=0, speed=0, volts=12.5)
    assert story.state.engine is Engine.OFF
    assert asked.index(Asking.LISTEN) == pytest.approx(65, abs=1)


def test_key_off_is_found_from_silence_and_voltage() -> None:
    story = Story()
    story.seconds(60, rpm=800, speed=0, volts=14.1)
    story.seconds(15, volts=12.8)
    assert story.state.engine is not Engine.OFF, "ECUs may be slow; 20 s of silence are asked for"
    story.seconds(15, volts=12.8)
    assert story.state.engine is Engine.OFF
    assert story.seconds(60, volts=12.8)[-1] is Asking.LISTEN


def test_silence_that_began_on_the_move_is_a_fault_not_engine_off() -> None:
    story = Story()
    story.seconds(60, rpm=2500, speed=90, volts=12.9)  # an alternator that rests under way
    asked = story.seconds(200, volts=12.9)
    assert story.state.engine is Engine.UNKNOWN
    assert set(asked) == {Asking.FULL}


def test_silence_while_the_alternator_charges_is_a_fault_not_engine_off() -> None:
    story = Story()
    story.seconds(60, rpm=800, speed=0, volts=14.1)
    story.seconds(120, volts=14.1)
    assert story.state.engine is Engine.UNKNOWN


def test_nothing_is_asked_through_a_night_and_the_alternator_wakes() -> None:
    story = Story().driven_and_parked()
    night = [a for hour in range(10) for a in story.seconds(3600, volts=12.8 - 0.02 * hour)]
    assert set(night) == {Asking.LISTEN}
    story.seconds(5, volts=9.6)  # cranking
    asked = story.seconds(15, volts=14.2)
    assert Asking.FULL in asked
    story.seconds(5, rpm=1100, volts=14.2)
    assert story.state.engine is Engine.RUNNING


def test_the_suns_slow_rise_is_no_start() -> None:
    story = Story().driven_and_parked()
    asked: list[Asking] = []
    for minute in range(180):  # a solar panel: 12.6 V to 14.1 V in three hours
        asked += story.seconds(60, volts=12.6 + 1.5 * minute / 180)
    assert set(asked) == {Asking.LISTEN}


def test_one_high_reading_is_a_disturbance() -> None:
    story = Story().driven_and_parked()
    story.seconds(5, volts=14.0)
    assert set(story.seconds(60, volts=12.7)) == {Asking.LISTEN}


def test_a_charger_costs_one_try_and_then_it_is_quiet_again() -> None:
    story = Story().driven_and_parked()
    asked = story.seconds(3600, volts=13.8)
    assert 30 <= sum(a is Asking.FULL for a in asked) <= 40
    assert asked[-1] is Asking.LISTEN


@pytest.mark.parametrize("event", [Link(0, True, "traffic heard"), Mark(0, (), "starting now")])
def test_traffic_or_a_person_wakes(event: Link | Mark) -> None:
    story = Story().driven_and_parked()
    story.tell(event)
    assert story.seconds(1, volts=12.7) == [Asking.FULL]
    assert story.seconds(60, volts=12.7)[-1] is Asking.LISTEN, "a try that hears nothing ends"


def test_a_lost_adapter_wakes_nothing() -> None:
    story = Story().driven_and_parked()
    story.tell(Link(0, False, "unplugged"))
    assert story.seconds(1, volts=12.7) == [Asking.LISTEN]


def test_without_a_voltage_it_asks_seldom_and_still_wakes() -> None:
    story = Story()
    story.seconds(60, rpm=800, speed=0)
    asked = story.seconds(600)
    assert asked[-1] is Asking.SELDOM
    assert story.state.engine is Engine.UNKNOWN, "silence alone proves nothing"
    assert Asking.FULL in story.seconds(70, rpm=900)
    assert story.state.engine is Engine.RUNNING


def test_a_bus_that_is_overheard_is_never_asked_at_rest() -> None:
    story = Story()
    story.state = story.state._replace(hears_bus=True)
    story.seconds(60, rpm=800, speed=0)
    asked = story.seconds(7200)
    assert set(asked[400:]) == {Asking.LISTEN}, "no voltage is needed, none is missed"
    story.tell(Link(0, True, "traffic heard after silence"))
    assert story.seconds(1) == [Asking.FULL]


def test_an_adapter_that_falls_deaf_while_listening_is_asked_seldom() -> None:
    story = Story().driven_and_parked()
    assert story.seconds(120)[-1] is Asking.SELDOM


def shutdown_second(volts: Iterable[float], settings: IgnitionSettings) -> int | None:
    story = Story(settings).driven_and_parked()
    for second, value in enumerate(volts):
        story.seconds(1, volts=value, volts_every=1)
        if story.state.power_off:
            return second
    return None


ON = IgnitionSettings(power_off=True)


def test_power_off_is_off_by_default() -> None:
    assert shutdown_second([11.0] * 300, SETTINGS) is None


def test_a_low_battery_ends_the_watch_after_a_minute_and_an_empty_one_after_seconds() -> None:
    assert shutdown_second([11.9] * 120, ON) == 60
    assert shutdown_second([11.2] * 120, ON) == 5


def test_dips_of_cranking_are_no_low_battery() -> None:
    assert shutdown_second([9.0, 7.5, 10.5, *[12.4] * 20] * 10, ON) is None


def test_a_running_engine_is_never_shut_down_on() -> None:
    story = Story(ON)
    story.seconds(300, rpm=900, speed=0, volts=11.0, volts_every=1)
    assert not story.state.power_off
