"""`python -m tests.bench.forecast.learn`: fits the table of `core/calibration` on made-up drives and writes it.

`rows` makes the drives and runs the bank over them, `fits` fits the networks.  The same machine writes the same table.
Takes some ten minutes on one core; rows are kept on disk, so a new fit takes two.
"""

from __future__ import annotations

import argparse
from multiprocessing import Pool
from pathlib import Path

from livemon.core import hypotheses
from livemon.core.net import Net
from livemon.core.outcome import HORIZONS_S
from tests.bench.forecast import drives, fits, rows
from tests.bench.forecast.drives import Array

TARGET = Path(hypotheses.__file__).with_name("calibration.py")
BENDS = {"SEEING": 16, "BLIND": 6}


def main() -> None:
    parser = argparse.ArgumentParser(description="fit the chances and bands of the forecast")
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    jobs = [(p, f) for f in rows.FAMILIES for p in drives.PLANTS]
    with Pool(args.jobs) as pool:
        both = pool.map(rows.block, jobs, chunksize=1)
    tables = []
    for place, (name, bends) in enumerate(BENDS.items()):
        some = [pair[place] for pair in both]
        print(f"{name}: {sum(len(r.features) for r in some)} rows", flush=True)
        band = {h: fits.fit_band(some, h, bends) for h in HORIZONS_S}
        tables.append(_table(name, fits.fit_chances(some, bends), band))
    head = TARGET.read_text(encoding="utf-8").split("# fmt: off")[0]
    TARGET.write_text(head + "# fmt: off\n" + "\n".join(tables), encoding="utf-8")


def _table(name: str, chance: Net, band: dict[int, Net]) -> str:
    lines = [f"{name}: Final = Table(", f"    chance={_net(chance, 4)},", "    band={"]
    lines += [f"        {horizon}: {_net(net, 8)}," for horizon, net in band.items()]
    return "\n".join([*lines, "    },", ")", ""])


def _net(net: Net, indent: int) -> str:
    pad = " " * (indent + 4)
    lines = ["Net("]
    for part in net:
        if part.ndim == 1:
            lines.append(f"{pad}np.array({_array(part)}),")
        else:
            lines += [f"{pad}np.array([", *(f"{pad}    {_array(row)}," for row in part), f"{pad}]),"]
    return "\n".join([*lines, f"{' ' * indent})"])


def _array(row: Array) -> str:
    return "[" + ", ".join(f"{value:.4g}" for value in row) + "]"


if __name__ == "__main__":
    main()
