"""What the time of the whole chain goes into, stage by stage, on one core.

    python benchmarks/stages.py [--films 64] [--rounds 6]

A timer of the process's own time looks every millisecond where the work stands, so that the looking
itself costs next to nothing. A stage holds what it calls; what stands indented is part of the stage
above it.
"""

from __future__ import annotations

import argparse
import signal
import tempfile
import time
from collections import Counter
from pathlib import Path
from types import FrameType

from long_run import write_run, write_scans

from xrdfilm.runs.chunks import Chunk, SharedSetup, cut, judge_chunk
from xrdfilm.runs.setup import RunSetup

# stage -> where the work stands then: module of the package and function
STAGES = {
    "reading": ("runs/setup", "read_scans"),
    "coupled scan: fits, alignment, cell": ("analysis/coupled", "analyse_coupled"),
    "  broad background": ("fitting/background", "broad_background"),
    "  peaks": ("lattice/peaks", "find_peaks"),
    "  names of peaks": ("analysis/recognise", "named_peaks"),
    "  both fits of all windows": ("fitting/engine", "fit_block"),
    "  alignment": ("analysis/anchors", "align_by_layers"),
    "  cell": ("analysis/anchors", "cell_of_film"),
    "whether K-alpha2 shows as stated": ("analysis/doublet_check", "doublet_notes"),
    "orientation": ("analysis/film_shares", "orientation_by_lines"),
    "fluoride": ("analysis/minor_phases", "fluoride_of"),
    "  windows and neighbours": ("fluoride/setup", "prepare"),
    "  lines at every cell": ("fluoride/setup", "scan"),
    "products": ("fluoride/products", "search_products"),
    "  fits of single lines": ("fitting/single_lines", "fit_single_lines"),
    "buffers": ("analysis/film_structure", "buffers_of"),
    "lines that nothing explains": ("analysis/leftover", "unexplained_lines"),
    "record and verdict": ("runs/setup", "record"),
}


class Watch:
    """Counts in which stages the work stands at each tick."""

    def __init__(self) -> None:
        self.seen: Counter[str] = Counter()
        self.ticks = 0
        self._of = {place: stage for stage, place in STAGES.items()}

    def __call__(self, _: int, frame: FrameType | None) -> None:
        """Look once, from the frame that was interrupted."""
        self.ticks += 1
        here: set[str] = set()
        while frame is not None:
            _, inside, module = frame.f_code.co_filename.rpartition("/xrdfilm/")
            if inside:
                stage = self._of.get((module.removesuffix(".py"), frame.f_code.co_name))
                if stage is not None:
                    here.add(stage)
            frame = frame.f_back
        self.seen.update(here)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--films", type=int, default=64)
    parser.add_argument("--rounds", type=int, default=6)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        planned = write_run(work / "run", write_scans(work / "scans", wanted.films), wanted.films)
        shared = SharedSetup.of(RunSetup.of(planned))
        chunks = [Chunk(number, shared, films, False) for number, films in cut(planned.films)]
        for chunk in chunks:
            judge_chunk(chunk)
        watch = Watch()
        signal.signal(signal.SIGPROF, watch)
        begin = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, 0.001, 0.001)
        for _ in range(wanted.rounds):
            for chunk in chunks:
                judge_chunk(chunk)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        whole = 1e3 * (time.process_time() - begin) / wanted.rounds / wanted.films
    print(f"{whole:6.2f} ms of the processor a film, of these")
    told = 0.0
    for stage in STAGES:
        part = whole * watch.seen[stage] / watch.ticks
        told += 0.0 if stage.startswith(" ") else part
        print(f"{part:6.2f}   {stage}" + " (not seen: has it moved?)" * (not watch.seen[stage]))
    print(f"{whole - told:6.2f}   everything else")


if __name__ == "__main__":
    main()
