"""Many films on a cluster: scheduler and workers here, on machines of your own anywhere.

    python examples/batch_on_cluster.py out        # 200 films
    python examples/batch_on_cluster.py out 2000

Needs the extra: pip install 'xrdfilm[scale]'. On machines of your own, start `dask scheduler` on
one and `dask worker ADDRESS` on the others, and give that address to `xrdfilm judge --cluster`.
"""

import sys
from pathlib import Path

import numpy as np
from scenario import (
    INK,
    INSTRUMENT,
    OPTICS,
    RUST,
    VERDICT,
    film,
    finish,
    folder_of,
    run_toml,
    sheet,
)

from xrdfilm import gather_runs, read_results, simulate_scan, write_scan
from xrdfilm.runs.cluster import Cluster
from xrdfilm.runs.streaming import judge_to_files

LIMITS = """
risk = 0.05
[[limit]]
quantity = "a_axis_fraction"
max = 0.10
[[limit]]
quantity = "c_A"
max = 11.72
"""


def write_films(folder: Path, films: int) -> Path:
    """A week of coupons: a-axis share and oxygen loading wander from film to film."""
    folder.mkdir(exist_ok=True)
    draw = np.random.default_rng(11)
    for number in range(films):
        share = float(np.clip(draw.gamma(2.0, 0.03), 0.0, 0.4))
        c_A = float(draw.normal(11.695, 0.013))
        made = film(c_axis=0.97 - share, a_axis=share, random=0.03, film_cell_A=(3.822, 3.884, c_A))
        scan, _ = simulate_scan(
            made, OPTICS, instrument=INSTRUMENT, counts=20_000.0, refraction=True,
            displacement_um=float(draw.normal(0.0, 30.0)), seed=number,
            two_theta_deg=np.arange(20.0, 60.0, 0.02),
        )  # fmt: skip
        write_scan(folder / f"coupon-{number:05d}.xy", scan)
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")
    text = run_toml("N-week-10") + '\n[limits]\nfile = "limits.toml"\n'
    (folder / "run.toml").write_text(text, encoding="utf-8")
    return folder


def main(folder: Path, films: int = 200, *, processes: bool = True) -> Path:
    from distributed import LocalCluster

    [planned] = gather_runs([write_films(folder / "week", films)])
    with (
        LocalCluster(
            n_workers=2 if processes else 1, threads_per_worker=1, processes=processes,
            dashboard_address=None,
        ) as local,
        Cluster(local.scheduler_address) as cluster,
    ):  # fmt: skip
        written = judge_to_files(planned, executor=cluster, workers=cluster.cores)
    told = ", ".join(f"{count} {verdict}" for verdict, count in written.verdicts.items() if count)
    print(f"{films} films: {told}")

    result = read_results(written.results)
    figure, axes = sheet(1, 1, 8.5, 5.0)
    for verdict in ("pass", "undecided", "fail"):
        chosen = [f for f in result.films if f.verdict == verdict and f.lattice and f.orientation]
        share = [f.orientation.a_axis for f in chosen]
        c = [f.lattice.c_A.value for f in chosen]
        middle = [100.0 * (q.value if q.value is not None else q.high) for q in share]
        axes.errorbar(
            middle, c,
            xerr=np.abs([[m - 100.0 * q.low for m, q in zip(middle, share, strict=True)],
                         [100.0 * q.high - m for m, q in zip(middle, share, strict=True)]]),
            fmt="o", markersize=4, elinewidth=0.7, alpha=0.75, color=VERDICT[verdict],
            label=f"{verdict} ({len(chosen)})",
        )  # fmt: skip
    axes.axvline(10.0, color=RUST, linewidth=1.3)
    axes.axhline(11.72, color=RUST, linewidth=1.3)
    axes.text(10.2, axes.get_ylim()[0], "limit", color=RUST, fontsize=9, va="bottom")
    axes.set_xlim(left=0.0)
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.set(xlabel="a-axis share / %, with its 95 % interval", ylabel="c / Å")
    axes.legend(frameon=False, fontsize=9, labelcolor=INK)
    axes.set_title(f"{films} coupons judged on a cluster", loc="left", fontsize=10.5, color=INK)
    return finish(figure, folder, "batch_on_cluster")


if __name__ == "__main__":
    main(folder_of("out"), int(sys.argv[2]) if len(sys.argv) > 2 else 200)
