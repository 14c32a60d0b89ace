"""A general prognostics library as a peer: ProgPy's unscented filter and Monte Carlo predictor on a reduced model.

States: coolant [C], heating per work, shedding per degree; input: work (load times rpm, or air flow), road speed and
outside air where it is told.  The thermostat is in the model, thinning air and fans are not.  It predicts every EVERY_S
only, and the last answer holds between.  Noises were chosen on the tuning seed.
"""

from __future__ import annotations

import time
import warnings
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from tests.bench.forecast.drives import Drive
from tests.bench.forecast.track import HORIZONS, Track

Array = NDArray[np.float64]
EVERY_S = 60
SAMPLES = 40
PREDICT_STEP_S = 10.0
FORESEE_S = 900.0
SCALE = {"heat": 1e-1, "shed": 1e-3}
NOISE = {"coolant": 0.03, "heat": 0.004, "shed": 0.01}
"""Spread of the states in one second; of four tried on five drives of the tuning seed."""
READING_C = 0.5
"""Spread of a reading: a whole degree is 0.3, the rest is the sensor's lag."""
OUTSIDE_C = 30.0


def _model() -> Any:
    from progpy import PrognosticsModel

    class Reduced(PrognosticsModel):  # type: ignore[misc]  # the library is untyped
        """dT/dt = heat work - shed opening(T) (T - outside) air(speed)."""

        inputs: ClassVar = ["work", "speed", "outside"]
        states: ClassVar = ["coolant", "heat", "shed"]
        outputs: ClassVar = ["reading"]
        events: ClassVar = ["limit"]
        state_limits: ClassVar = {"coolant": (-40.0, 160.0), "heat": (0.0, 8.0), "shed": (0.3, 10.0)}
        default_parameters: ClassVar = {
            "x0": {"coolant": 80.0, "heat": 1.5, "shed": 3.0},
            "process_noise": NOISE,
            "measurement_noise": {"reading": READING_C},
            "limit_c": 110.0,
            "opens_c": 86.0,
        }

        def next_state(self, x: Any, u: Any, dt: float) -> Any:
            opening = np.clip((x["coolant"] - self.parameters["opens_c"]) / 10.0, 0.03, 1.0)
            air = 0.6 + 0.4 * np.minimum(u["speed"] / 70.0, 2.0)
            rate = SCALE["heat"] * x["heat"] * u["work"] - SCALE["shed"] * x["shed"] * opening * air * (
                x["coolant"] - u["outside"]
            )
            return self.StateContainer(
                {
                    "coolant": np.atleast_1d(x["coolant"] + rate * dt),
                    "heat": np.atleast_1d(x["heat"]),
                    "shed": np.atleast_1d(x["shed"]),
                }
            )

        def output(self, x: Any) -> Any:
            return self.OutputContainer({"reading": np.atleast_1d(x["coolant"])})

        def event_state(self, x: Any) -> Any:
            return {"limit": np.clip((self.parameters["limit_c"] - x["coolant"]) / 40.0, 0.0, 1.0)}

        def threshold_met(self, x: Any) -> Any:
            return {"limit": x["coolant"] >= self.parameters["limit_c"]}

    return Reduced


def progpy(drive: Drive) -> Track:
    """ProgPy over one drive."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _run(drive)


def _run(drive: Drive) -> Track:
    from progpy.predictors import MonteCarlo
    from progpy.state_estimators import UnscentedKalmanFilter
    from progpy.uncertain_data import MultivariateNormalDist

    r = drive.readings
    work = r["maf_g_s"] / 40.0 if "maf_g_s" in r else r["load_pct"] * r["rpm"] / 1.5e5
    n = drive.truth_c.size
    outside = r["ambient_air_c"] if "ambient_air_c" in r else np.full(n, OUTSIDE_C)
    begin = time.perf_counter()
    model = _model()(limit_c=drive.limit_c)
    start = MultivariateNormalDist(
        ["coolant", "heat", "shed"], [r["coolant_c"][0], 1.5, 3.0], np.diag([1.0, 0.6**2, 1.2**2])
    )
    process = np.diag([NOISE[name] ** 2 for name in ("coolant", "heat", "shed")])
    ukf = UnscentedKalmanFilter(model, start, Q=process, R=np.array([[READING_C**2]]))
    predictor = MonteCarlo(model)
    chance, times = np.full(n, np.nan), np.full((3, n), np.nan)
    ahead = {h: np.full((3, n), np.nan) for h in HORIZONS}
    for t in range(1, n):
        load = model.InputContainer({"work": work[t], "speed": r["speed_kmh"][t], "outside": outside[t]})
        ukf.estimate(float(t), load, model.OutputContainer({"reading": r["coolant_c"][t]}))
        if t % EVERY_S != 0:
            continue
        paths = _paths(
            model, predictor, ukf.x, [float(a[max(t - 60, 0) : t + 1].mean()) for a in (work, r["speed_kmh"], outside)]
        )
        until = slice(t, min(t + EVERY_S, n))
        over = paths >= drive.limit_c
        first = np.where(over.any(axis=1), over.argmax(axis=1) * PREDICT_STEP_S, np.inf)
        chance[until] = float((first <= 300.0).mean())
        times[:, until] = np.quantile(first, [0.1, 0.5, 0.9], method="nearest")[:, None]
        for h in HORIZONS:
            ahead[h][:, until] = np.quantile(paths[:, round(h / PREDICT_STEP_S)], [0.1, 0.5, 0.9])[:, None]
    cost = (time.perf_counter() - begin) / n * 1e6
    urgency = np.where(np.isnan(chance), -np.inf, chance)
    return Track(chance, times[1], urgency, ahead, times[0], times[2], us_per_step=cost)


def _paths(model: Any, predictor: Any, now: Any, held: list[float]) -> Array:
    """(SAMPLES, steps): coolant each PREDICT_STEP_S from now on, the inputs held; no path ends at the limit."""
    future = model.InputContainer(dict(zip(("work", "speed", "outside"), held, strict=True)))

    def loading(time_s: float, x: Any = None) -> Any:
        return future

    result = predictor.predict(
        now, loading, t0=0.0, n_samples=SAMPLES, dt=PREDICT_STEP_S, horizon=FORESEE_S,
        save_freq=PREDICT_STEP_S, events=[],
    )  # fmt: skip
    rows = [[float(np.squeeze(x["coolant"])) for x in path] for path in result.states]
    return np.array(rows)
