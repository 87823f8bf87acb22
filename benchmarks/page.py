"""The ten-minute set of benchmarks, as a page with plots: benchmarks/out/index.html.

    python benchmarks/page.py [--out benchmarks/out] [--only NAME ...]

Each script runs alone, one after the other; what it prints stands on the page as it came, the
figures of the whole chain are drawn. A script that fails or takes too long is told there.
"""

from __future__ import annotations

import argparse
import base64
import datetime
import html
import io
import json
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
LONGEST_S = 1500  # of a script: a busy machine takes its time


@dataclass(frozen=True)
class Script:
    """A benchmark script: what it asks, and its arguments in the set."""

    name: str
    asks: str
    words: tuple[str, ...] = ()


CHAIN = Script(
    "chain",
    "The whole chain: against a script and the floor, on cores, in length, on a cluster",
    ("--scans", "320", "--longest", "1000", "--simulated", "100"),
)
SCRIPTS = (
    CHAIN,
    Script(
        "kills", "A run killed at random and taken up again", ("--scans", "320", "--kills", "6")
    ),
    Script("stages", "What the chain's time goes into"),
    Script("fit", "Fits of a scan's windows", ("200",)),
    Script("read", "Reading text", ("--small",)),
    Script("background", "Broad backgrounds"),
    Script("peak_search", "Peaks, and the shift of the axis"),
    Script("linelist", "Line lists"),
    Script("simulation", "Simulated scans"),
)


@dataclass(frozen=True)
class Outcome:
    """What a script printed, how long it took, and what went wrong."""

    script: Script
    text: str
    took_s: float
    trouble: str = ""


def run(script: Script, out: Path) -> Outcome:
    words = [*script.words, *(["--json", str(out / "chain.json")] if script is CHAIN else [])]
    one = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    begin = time.perf_counter()
    try:
        done = subprocess.run(
            [sys.executable, str(HERE / f"{script.name}.py"), *words],
            capture_output=True, text=True, timeout=LONGEST_S, env={**os.environ, **one},
            check=False,
        )  # fmt: skip
        text, trouble = done.stdout, ""
        if done.returncode:
            trouble = f"ended with status {done.returncode}: {done.stderr.strip()[-600:]}"
    except subprocess.TimeoutExpired as late:
        text = (late.stdout or b"").decode() if isinstance(late.stdout, bytes) else ""
        trouble = f"stopped after {LONGEST_S} s"
    return Outcome(script, text, time.perf_counter() - begin, trouble)


def picture(figure: Any) -> str:
    """A figure as an image that stands in the page itself."""
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=130, bbox_inches="tight")
    return f'<img alt="" src="data:image/png;base64,{base64.b64encode(file.getvalue()).decode()}">'


def chain_plots(found: dict[str, Any]) -> str:
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    plt.rcParams.update({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False})
    pictures = []
    if "script" in found:
        cost = found["script"]
        names = ["parse and one\nbackground", "whole chain", "lmfit script,\nlines that show",
                 "lmfit script,\nall lines"]  # fmt: skip
        values = [cost[f"{name}_ms"] for name in ("floor", "chain", "script", "whole_script")]
        figure, ax = plt.subplots(figsize=(4.6, 2.6))
        bars = ax.barh(
            names[::-1], values[::-1], color=["#8a8f98", "#8a8f98", "#1f6f8b", "#8a8f98"]
        )
        ax.bar_label(
            bars, labels=[f" {v:.0f} ms" if v > 20 else f" {v:.1f} ms" for v in values[::-1]]
        )
        ax.set(xscale="log", xlabel="milliseconds of the processor a scan",
               title="One core", xlim=(1, 10 ** (len(str(int(max(values)))) + 0.4)))  # fmt: skip
        ax.xaxis.set_major_formatter("{x:,.0f}")
        pictures.append(picture(figure))
    if "cores" in found:
        cores = found["cores"]
        figure, ax = plt.subplots(figsize=(3.0, 2.6))
        values = [cores["one"]["films"] / cores[k]["wall_s"] for k in ("one", "two")]
        bars = ax.bar(["1 worker", "2 workers"], values, color="#1f6f8b", width=0.6)
        ax.bar_label(bars, fmt="%.1f")
        ax.set(ylabel="scans a second", title=f"Cores: {cores['gain']:.2f} times",
               ylim=(0, 1.15 * max(values)))  # fmt: skip
        pictures.append(picture(figure))
    if found.get("length"):
        rows = found["length"]
        figure, axes = plt.subplots(1, 2, figsize=(6.2, 2.6), layout="constrained")
        number = [row["films"] for row in rows]
        axes[0].plot(number, [row["ms"] for row in rows], "o-", color="#1f6f8b")
        axes[0].set(ylabel="ms of the processor a scan", title="Cost in length")
        axes[1].plot(number, [row["memory_mib"] for row in rows], "o-", color="#1f6f8b")
        axes[1].axhline(600, color="#b5443b", linestyle="--", linewidth=1)
        axes[1].set(ylabel="MiB, all processes", title="Memory in length")
        for ax in axes:
            ax.set(xscale="log", xlabel="scans in the run", ylim=(0, 1.15 * ax.dataLim.y1))
            ax.set_xticks(number, [f"{n:,.0f}" for n in number], minor=False)
            ax.minorticks_off()
        pictures.append(picture(figure))
    plt.close("all")
    return '<p class="plots">' + "".join(pictures) + "</p>"


STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; max-width: 62rem; margin: 2rem auto; padding: 0 1rem;
       color: #20242a; background: #fff; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.05rem; margin: 2rem 0 .3rem; }
pre { background: #f4f5f7; padding: .7rem .9rem; overflow-x: auto; font-size: 12.5px;
      line-height: 1.4; }
.plots { display: flex; flex-wrap: wrap; gap: 1rem; }
.plots img { max-height: 16rem; max-width: 100%; }
.note { color: #5a616b; } .trouble { color: #b5443b; }
"""


def page(outcomes: list[Outcome], found: dict[str, Any]) -> str:
    now = datetime.datetime.now().astimezone()
    load = " ".join(f"{value:.1f}" for value in os.getloadavg())
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8><title>xrdfilm: benchmarks</title>",
        '<meta name="viewport" content="width=device-width"><style>' + STYLE + "</style>",
        "<h1>How fast xrdfilm is here</h1>",
        f'<p class="note">{now:%Y-%m-%d %H:%M %Z}; {platform.machine()}, {os.cpu_count()} cores, '
        f"Python {platform.python_version()}; load at the end {load}. Ratios within one script "
        "count, not the times.</p>",
    ]
    for outcome in outcomes:
        script = outcome.script
        told = " ".join([f"python benchmarks/{script.name}.py", *script.words])
        parts.append(f"<h2>{html.escape(script.asks)}</h2>")
        parts.append(
            f'<p class="note"><code>{html.escape(told)}</code>, {outcome.took_s:.0f} s</p>'
        )
        if script is CHAIN and found:
            parts.append(chain_plots(found))
        if outcome.trouble:
            parts.append(f'<p class="trouble">{html.escape(outcome.trouble)}</p>')
        parts.append(f"<pre>{html.escape(outcome.text.rstrip())}</pre>")
    return "\n".join(parts) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--out", type=Path, default=HERE / "out")
    parser.add_argument("--only", nargs="*", choices=[s.name for s in SCRIPTS])
    wanted = parser.parse_args()
    wanted.out.mkdir(parents=True, exist_ok=True)
    figures = wanted.out / "chain.json"
    figures.unlink(missing_ok=True)
    outcomes: list[Outcome] = []
    for script in SCRIPTS:
        if wanted.only and script.name not in wanted.only:
            continue
        print(f"{script.name} …", flush=True)
        outcomes.append(run(script, wanted.out))
        print(outcomes[-1].text + outcomes[-1].trouble, flush=True)
        found = json.loads(figures.read_text()) if figures.is_file() else {}
        (wanted.out / "index.html").write_text(page(outcomes, found), encoding="utf-8")
    print(f"Page: {wanted.out / 'index.html'}")
    sys.exit(any(outcome.trouble for outcome in outcomes))


if __name__ == "__main__":
    main()
