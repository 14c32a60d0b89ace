"""A general prognostics library as a peer: ProgPy's unscented filter and Monte Carlo predictor on a reduced model.

States: coolant [C], heating per work, shedding per degree; input: work (load times rpm, or air flow) and road speed.
The thermostat is in the model, thinning air and fans are not.  It is slow (docs/benchmark.md), so it predicts every
EVERY_S only, and the last answer holds between.
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
SCALE = {"heat": 1e-1, "shed": 1e-3}


def _model() -> Any:
    from progpy import PrognosticsModel

    class Reduced(PrognosticsModel):  # type: ignore[misc]  # the library is untyped
        """dT/dt = heat work - shed opening(T) (T - 30) air(speed)."""

        inputs: ClassVar = ["work", "speed"]
        states: ClassVar = ["coolant", "heat", "shed"]
        outputs: ClassVar = ["reading"]
        events: ClassVar = ["limit"]
        default_parameters: ClassVar = {
            "x0": {"coolant": 80.0, "heat": 1.5, "shed": 3.0},
            "process_noise": {"coolant": 0.03, "heat": 0.004, "shed": 0.01},
            "measurement_noise": {"reading": 0.5},
            "limit_c": 110.0,
            "opens_c": 86.0,
        }

        def next_state(self, x: Any, u: Any, dt: float) -> Any:
            opening = np.clip((x["coolant"] - self.parameters["opens_c"]) / 10.0, 0.03, 1.0)
            air = 0.6 + 0.4 * np.minimum(u["speed"] / 70.0, 2.0)
            rate = SCALE["heat"] * x["heat"] * u["work"] - SCALE["shed"] * x["shed"] * opening * air * (
                x["coolant"] - 30.0
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
    begin = time.perf_counter()
    model = _model()(limit_c=drive.limit_c)
    start = MultivariateNormalDist(
        ["coolant", "heat", "shed"], [r["coolant_c"][0], 1.5, 3.0], np.diag([1.0, 0.6**2, 1.2**2])
    )
    ukf = UnscentedKalmanFilter(model, start)
    predictor = MonteCarlo(model)
    chance, times = np.full(n, np.nan), np.full((3, n), np.nan)
    ahead = {h: np.full((3, n), np.nan) for h in HORIZONS}
    for t in range(1, n):
        load = model.InputContainer({"work": work[t], "speed": r["speed_kmh"][t]})
        ukf.estimate(float(t), load, model.OutputContainer({"reading": r["coolant_c"][t]}))
        if t % EVERY_S != 0:
            continue
        last = slice(max(t - 60, 0), t + 1)
        future = model.InputContainer({"work": work[last].mean(), "speed": r["speed_kmh"][last].mean()})

        def loading(time_s: float, x: Any = None, held: Any = future) -> Any:
            return held

        result = predictor.predict(
            ukf.x,
            loading,
            t0=0.0,
            n_samples=SAMPLES,
            dt=PREDICT_STEP_S,
            horizon=900.0,
            save_pts=[float(h) for h in HORIZONS],
            save_freq=1e9,
            events=["limit"],
            event_strategy="all",
        )
        until = slice(t, min(t + EVERY_S, n))
        toe = np.array([np.inf if s["limit"] is None else s["limit"] for s in result.time_of_event], dtype=float)
        toe = np.where(np.isnan(toe), np.inf, toe)
        chance[until] = float((toe <= 300.0).mean())
        times[:, until] = np.quantile(toe, [0.1, 0.5, 0.9], method="nearest")[:, None]
        for h in HORIZONS:
            k = int(np.argmin([abs(x - h) for x in result.times]))
            some = np.array([float(np.squeeze(s["reading"])) for s in result.outputs.snapshot(k) if s is not None])
            if some.size >= 5 and abs(result.times[k] - h) <= PREDICT_STEP_S:
                ahead[h][:, until] = np.quantile(some, [0.1, 0.5, 0.9])[:, None]
    cost = (time.perf_counter() - begin) / n * 1e6
    urgency = np.where(np.isnan(chance), -np.inf, chance)
    return Track(chance, times[1], urgency, ahead, times[0], times[2], us_per_step=cost)
