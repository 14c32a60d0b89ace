"""What is known at a moment: how long the model alone may carry the estimate through readings that are not believed."""

from __future__ import annotations

from livemon.core import moment
from livemon.core.events import Sample, Tick
from livemon.core.outcome import Status

OPEN_S, LOST_S, BACK_S, SOUND_S = 600, 660, 700, 760


def test_a_sensor_doubted_for_long_is_not_estimated_anew_after_a_spell_without_data() -> None:
    """An open circuit from OPEN_S on, nothing at all between LOST_S and BACK_S, sound again from SOUND_S on."""
    settings = moment.CoreSettings()
    state, known, trusted = moment.start(settings), {}, {}
    for k in range(1, SOUND_S + 61):
        told = {"speed_kmh": 80.0, "rpm": 2400.0, "load_pct": 60.0}
        if not LOST_S <= k < BACK_S:
            told["coolant_c"] = -40.0 if OPEN_S <= k < SOUND_S else 90.0
        state = moment.hear(state, Sample(k * 1000, tuple(told.items())), settings)
        state, seen = moment.look_round(state, Tick(k * 1000), settings)
        state, now, _ = moment.at_tick(state, seen, settings)
        known[k], trusted[k] = now.told, now.verdict.trusted
        assert now.inputs.status is Status.LIVE or not known[k]
    assert known[OPEN_S + 10], "for some seconds the model carries it"
    assert not any(known[k] for k in range(OPEN_S + 30, SOUND_S)), "then nothing is said, lost data or not"
    assert trusted[LOST_S + 20] is None
    assert trusted[BACK_S + 5] is False
    assert all(known[k] for k in range(SOUND_S + 30, SOUND_S + 60)), "believed again"
