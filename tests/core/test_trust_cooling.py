"""Slow faults: stuck sensor, thermostat, rise, fan, coolant that leaves the sensor; made-up drives and the real trips.

Rates over many drives, each beside its healthy twin, are measured by `python -m tests.bench.trust`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cache

import pytest

from livemon.core import moment, trust_cooling
from livemon.core.events import Event, Sample, Tick
from livemon.core.expected import Parting
from livemon.core.grid import on_grid
from livemon.core.outcome import Level, Status
from livemon.core.signals import Inputs
from livemon.core.trust import Trust
from livemon.core.trust_cooling import Doubt, Slow
from livemon.core.unheard import Departure
from livemon.readers.log_file import LogFile
from livemon.sim import drive as sim
from livemon.sim.scenarios import SCENARIOS
from tests.datasets import dataset

Row = dict[str, float]


def drive(seconds: int, row: Callable[[int], Row]) -> Iterator[Event]:
    """One sample and one tick a second."""
    for k in range(1, seconds + 1):
        yield Sample(k * 1000, tuple(row(k).items()))
        yield Tick(k * 1000)


def verdicts(events: Iterable[Event]) -> list[Trust]:
    """One a second, by all that the core knows before anything is foreseen."""
    settings = moment.CoreSettings()
    state, out = moment.start(settings), []
    for event in events:
        if isinstance(event, Tick):
            state, seen = moment.look_round(state, event, settings)
            state, now, _ = moment.at_tick(state, seen, settings)
            out.append(now.verdict)
        else:
            state = moment.hear(state, event, settings)
    return out


@cache
def made_up(scenario: str) -> tuple[list[Trust], int | None]:
    """What is doubted on a made-up drive, and when its true coolant reaches 108 C."""
    some = SCENARIOS[scenario]
    drives = sim.run([some.build(1)], some.seconds)
    truth = drives.truth["coolant_c"][:, 0]
    over = [k for k, value in enumerate(truth) if value >= 108.0]
    return verdicts(on_grid(drives.events(0))), over[0] if over else None


def made_up_events(scenario: str) -> list[Event]:
    some = SCENARIOS[scenario]
    return list(on_grid(sim.run([some.build(1)], some.seconds).events(0)))


def only(events: Iterable[Event], told: Callable[[str], bool]) -> Iterator[Event]:
    """The drive of a vehicle that tells less."""
    for event in events:
        if isinstance(event, Sample):
            event = Sample(event.t_ms, tuple(row for row in event.readings if told(row[0])))
        yield event


def cruise(coolant_c: float, **more: float) -> Row:
    return {"coolant_c": coolant_c, "speed_kmh": 80.0, "rpm": 2400.0, "load_pct": 60.0, **more}


def first(found: list[Trust], words: str) -> int | None:
    return next((k + 1 for k, v in enumerate(found) if any(words in d for d in v.doubts)), None)


@pytest.mark.parametrize("scenario", ["karga-pass", "karga-gentle", "orlo-jam", "cold-morning"])
def test_a_healthy_drive_raises_no_doubt(scenario: str) -> None:
    found, _ = made_up(scenario)
    assert [d for v in found for d in v.doubts] == []


@pytest.mark.parametrize("told", [{"coolant_c"}, {"coolant_c", "speed_kmh", "rpm"}])
@pytest.mark.parametrize("scenario", ["karga-pass", "karga-gentle", "orlo-jam"])
def test_a_healthy_drive_of_a_vehicle_that_does_not_tell_its_load_raises_no_doubt(
    scenario: str, told: set[str]
) -> None:
    found = verdicts(only(made_up_events(scenario), lambda name: name in told))
    assert [d for v in found for d in v.doubts] == []


def test_a_jam_is_no_fault_of_the_cooling_where_the_road_speed_is_not_told() -> None:
    found = verdicts(only(made_up_events("orlo-jam"), lambda name: name != "speed_kmh"))
    assert [d for v in found for d in v.doubts] == []


def test_coolant_that_leaves_the_sensor_is_a_warning_within_a_minute_of_the_fall() -> None:
    found, limit_s = made_up("karga-leak")
    at = first(found, "coolant may have left the sensor")
    assert at is not None
    assert limit_s is not None
    assert at <= limit_s + 15, "the reading falls from 105 C while the coolant goes on to 128 C"
    assert found[at].coolant_lost
    assert found[at].danger is Level.WARNING
    assert found[at].trusted is False
    assert all(len(v.doubts) == 1 for v in found[at : at + 300]), "a dry sensor says nothing of anything else"


def test_a_fan_that_dies_in_a_jam_is_named_minutes_before_the_limit() -> None:
    found, limit_s = made_up("orlo-dead-fan")
    at = first(found, "the fan may not run")
    assert at is not None
    assert limit_s is not None
    assert at < limit_s - 210
    assert found[at].fan_failed
    assert found[at].trusted is True, "the sensor is fine, the fan is not"
    assert found[at].danger is Level.CAUTION
    assert all(v.fan_failed for v in found[at:1_800]), "it stands for the whole jam"
    after = [v.danger for v in found if v.fan_failed][-30:]
    assert set(after) == {Level.ADVISORY}, "the road has cooled it: no longer at risk, not yet forgotten"
    assert not found[-1].doubts, "driving again: no fan is needed"


def test_a_sensor_that_sticks_on_a_climb_is_named() -> None:
    found, _ = made_up("karga-stuck-sensor")
    at = first(found, "may be stuck")
    assert at is not None
    assert at - 400 < 400
    assert not any(v.fan_failed or v.coolant_lost for v in found)


def test_a_thermostat_that_stays_open_is_named() -> None:
    found, _ = made_up("thermostat-open")
    at = first(found, "the thermostat may be stuck open")
    assert at is not None
    assert at < 800
    assert found[at].trusted is True
    assert found[at].danger is Level.ADVISORY


def test_stuck_where_heat_must_move_it() -> None:
    found = verdicts(drive(900, lambda k: cruise(101.0, load_pct=30.0 if k % 300 < 150 else 90.0)))
    at = first(found, "may be stuck")
    assert at is not None
    assert at < 420
    assert found[-1].trusted is False


def test_a_thermostat_holds_one_degree_for_ten_minutes() -> None:
    found = verdicts(drive(600, lambda k: cruise(90.0, load_pct=30.0 if k % 300 < 150 else 90.0)))
    assert not any(v.doubts for v in found)


def test_an_engine_that_never_warms() -> None:
    found = verdicts(drive(1500, lambda k: cruise(min(20.0 + k * 0.08, 62.0))))
    at = first(found, "stuck open")
    assert at is not None
    assert at < 1000
    assert found[-1].trusted is True, "the sensor is fine, the thermostat is not"
    assert found[-1].danger is Level.ADVISORY


def _settled_then(k: int, after: Callable[[int], float]) -> float:
    return float(int(94.0 if k < 600 else after(k - 600)))


def test_rise_at_the_same_load_and_speed_is_named() -> None:
    found = verdicts(drive(900, lambda k: cruise(_settled_then(k, lambda s: min(94.0 + s * 0.05, 106.0)))))
    at = first(found, "fan, pump or coolant may be failing")
    assert at is not None
    assert at - 600 < 180
    assert max(v.danger for v in found) >= Level.ADVISORY


def test_the_same_rise_with_more_load_is_a_climb() -> None:
    def row(k: int) -> Row:
        coolant = _settled_then(k, lambda s: min(94.0 + s * 0.05, 106.0))
        return cruise(coolant, load_pct=45.0 if k < 600 else 85.0)

    assert not any(v.doubts for v in verdicts(drive(900, row)))


def _fall(k: int) -> float:
    """Rises 6 K without load, then falls 15 K within a minute."""
    return _settled_then(k, lambda s: min(94.0 + s * 0.06, 104.0) if s < 200 else max(104.0 - (s - 200) * 0.25, 80.0))


def test_a_reading_that_falls_while_the_engine_works_means_coolant_lost() -> None:
    found = verdicts(drive(900, lambda k: cruise(_fall(k))))
    lost = [k for k, v in enumerate(found, start=1) if v.coolant_lost]
    assert lost
    assert lost[0] - 800 < 60
    assert found[lost[0]].danger is Level.WARNING
    assert found[lost[0]].trusted is False


def test_the_same_fall_after_the_summit_is_none() -> None:
    found = verdicts(drive(900, lambda k: cruise(_fall(k), load_pct=60.0 if k < 790 else 10.0)))
    assert not any(v.coolant_lost for v in found)


def test_a_fan_that_cuts_in_at_a_crawl_is_no_loss() -> None:
    """As in a real jam: 100 to 92 C within 66 s at 8 km/h and the same air flow."""

    def row(k: int) -> Row:
        coolant = 92.0 + (8.0 * max(k - 500, 0) / 200.0 if k < 700 else max(8.0 - (k - 700) * 0.12, 0.0))
        return {"coolant_c": float(int(coolant)), "speed_kmh": 8.0, "rpm": 900.0, "maf_g_s": 12.0}

    assert not any(v.coolant_lost for v in verdicts(drive(900, row)))


OVER = Departure(120, over_c=9.0, spread_c=1.5, nearest=4.0, opening=1.0, usual_c=1.0, usual_sd_c=1.2)
LATER = OVER._replace(age_s=180, over_c=8.0)
UNDER = Parting(60, over_c=-9.0, spreads=-7.0, heat_share=1.0, air_share=1.0, expected_c=103.0)


def told(
    partings: tuple[Parting, ...],
    coolant_c: Callable[[int], float],
    speed_kmh: float = 80.0,
    departures: tuple[Departure, ...] = (),
) -> list[Doubt]:
    """The doubts of five minutes in which each look gives the same comparison."""
    slow, out = Slow(plateau_c=88.0), []
    for k in range(300):
        inputs = Inputs(k * 1000, Status.LIVE, speed_kmh=speed_kmh, rpm=2400.0, load_pct=60.0)
        slow, found = trust_cooling.second(slow, inputs, coolant_c(k), partings, departures)
        out += found
    return out


@pytest.mark.parametrize(
    "one",
    [
        LATER._replace(usual_sd_c=2.0),
        LATER._replace(over_c=3.9, usual_sd_c=0.3),
        LATER._replace(usual_c=5.0),
        LATER._replace(usual_c=None),
    ],
    ids=["within the band", "few degrees", "a sound vehicle does it", "not judged"],
)
def test_each_condition_of_a_rise_is_needed(one: Departure) -> None:
    found = told((), lambda k: 104.0 + k // 60, departures=(OVER, LATER))
    assert {d.name for d in found} == {"rise"}
    words = "reading is 8 K over the 97 C that heat and air of the last 2 min should make"
    assert found[0].words == f"{words}: fan, pump or coolant may be failing"
    assert told((), lambda k: 104.0 + k // 60, departures=(OVER, one)) == []
    assert told((), lambda k: 104.0 + k // 60, departures=(OVER,)) == [], "one copy"
    assert told((), lambda k: 97.0, departures=(OVER, LATER)) == [], "not hot"


def test_the_same_rise_at_a_crawl_names_the_fan() -> None:
    found = told((), lambda k: 104.0 + k // 60, speed_kmh=8.0, departures=(OVER, LATER))
    assert {d.name for d in found} == {"fan"}
    words = "reading is 8 K over the 97 C that heat and air of the last 2 min should make: the fan may not run"
    assert found[0].words == words
    assert found[0].believed
    none = OVER._replace(usual_c=None)
    assert told((), lambda k: 104.0 + k // 60, speed_kmh=8.0, departures=(none,)), "over every possible vehicle"
    assert told((), lambda k: 104.0 + k // 60, speed_kmh=8.0, departures=(none._replace(nearest=3.4),)) == []
    assert told((), lambda k: 104.0 + k // 60, speed_kmh=80.0, departures=(none,)) == [], "at speed"


def falling(k: int) -> float:
    return 102.0 + (k // 40) % 2 if k < 200 else 103.0 - (k - 200) * 0.15


@pytest.mark.parametrize(
    "one",
    [replace(UNDER, heat_share=0.5), replace(UNDER, air_share=3.0), replace(UNDER, spreads=-3.0)],
    ids=["less heat", "more air", "within the band"],
)
def test_each_condition_of_coolant_lost_is_needed(one: Parting) -> None:
    assert {d.name for d in told((UNDER,), falling)} == {"left sensor"}
    assert told((one,), falling) == []
    assert told((UNDER, replace(one, age_s=180)), falling) == [] or one.spreads == -3.0, "over four minutes"
    assert told((UNDER,), lambda k: 103.0 - k * 0.03) == [], "too slow a fall"


def test_past_where_the_fan_used_to_win() -> None:
    """Standing: it cycles between 92 and 100 C, then goes on to 105 C."""

    def saw(k: int) -> float:
        return float(int(92 + (k % 240) / 15 if k % 240 < 120 else 100 - (k % 240 - 120) / 15))

    def row(k: int) -> Row:
        coolant = saw(k) if k < 1440 else float(int(min(92 + (k - 1440) / 15, 106)))
        return {"coolant_c": coolant, "speed_kmh": 0.0, "rpm": 750.0, "maf_g_s": 6.0}

    found = verdicts(drive(1800, row))
    assert not any(v.doubts for v in found[:1430])
    at = first(found, "the fan may not run")
    assert at is not None
    assert at < 1440 + 210
    assert found[at].fan_failed


@pytest.mark.parametrize(
    "trip",
    [
        "kit_20170711_ka_ka_stau",
        "kit_20170713_rt_ka_stau_messfehler",
        "kit_20170726_rt_s_stau",
        "kit_20170805_s_cw_normal",
        "kit_20180218_rt_ka_stau",
        "kit_20180227_ka_ka_normal",
    ],
)
def test_real_trips_raise_no_doubt(trip: str) -> None:
    """Gaps, restarts, dropouts, a fan in a jam, an overshoot, an engine in deep winter (CC BY 4.0)."""
    path = dataset(f"kit-obd2-2023/by_cycle/{trip}.csv")
    found = verdicts(on_grid(LogFile(path).events()))
    assert [d for v in found for d in v.doubts] == []


def test_state_is_bounded() -> None:
    settings = moment.CoreSettings()
    state = moment.start(settings)
    for event in drive(3000, lambda k: cruise(90.0 + (k // 60) % 20)):
        if isinstance(event, Tick):
            state, seen = moment.look_round(state, event, settings)
            state, _, _ = moment.at_tick(state, seen, settings)
            assert len(state.expecting.copies) <= 11
            assert len(state.unheard.begin_ms) <= 15
            assert len(state.trust.slow.departures) <= 15
            assert len(state.trust.slow.partings) <= 11
            assert len(state.trust.slow.buckets) <= 90
            assert len(state.trust.doubts) <= 12
        else:
            state = moment.hear(state, event, settings)


def test_one_peak_at_a_crawl_is_no_fan_s_switch() -> None:
    def turns(*peaks_c: float) -> float | None:
        """Standing: up from 90 C to each peak and down again, two minutes each way."""
        slow = Slow(plateau_c=88.0)
        course = [90.0 + (top - 90.0) * (k if k < 12 else 24 - k) / 12.0 for top in peaks_c for k in range(24)]
        for k in range(10 * len(course)):
            inputs = Inputs(k * 1000, Status.LIVE, speed_kmh=0.0, rpm=750.0, maf_g_s=6.0)
            slow, _ = trust_cooling.second(slow, inputs, course[k // 10], ())
        return trust_cooling._fan_turns_c(slow)

    assert turns(100.0) is None
    assert turns(100.0, 106.0) is None
    assert turns(100.0, 101.0) == pytest.approx(101.0, abs=1.0)
    assert turns(100.0, 106.0, 105.0, 100.0) == pytest.approx(106.0, abs=1.0)


def test_a_reading_that_stands_as_the_possible_vehicles_do_is_not_stuck() -> None:
    """A thermostat that holds 94 C, over the lowest plateau of the drive, where one node would run hot."""
    moved = tuple(replace(UNDER, age_s=age) for age in (60, 90))
    assert {d.name for d in told(moved, lambda k: 94.0)} == {"stuck"}
    assert told(moved, lambda k: 94.0, departures=(OVER._replace(over_c=0.5),)) == []
    assert {d.name for d in told(moved, lambda k: 94.0, departures=(OVER._replace(over_c=-6.0),))} == {"stuck"}
