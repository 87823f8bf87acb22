"""An invented run of a dozen films, in chunks of three, that tests of long runs share."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.invented import premises_on, scan_of
from xrdfilm.simulate.files import write_scan

FILMS = 12
CHUNK = 3
RUN = """
[run]
id = "L-1"
[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
[stack]
film = "YBCO"
thickness_nm = 400
substrate = "SrTiO3"
[assumptions]
c_axis_mosaic_deg = 0.5
mosaic_factor = 1.05
[limits]
file = "limits.toml"
[films]
coupled = "*.xy"
"""
LIMITS = '[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.1\n'

# judges the run of the folder argv[1], in chunks of CHUNK films, by the command line's own way
SCRIPT = f"""
import sys
from pathlib import Path
from xrdfilm.runs import chunks
from xrdfilm.runs import judge as run
if __name__ == "__main__":
    chunks.CHUNK_FILMS = run.CHUNK_FILMS = {CHUNK}
    from xrdfilm.cli import cli
    sys.exit(cli(["judge", *sys.argv[1:], "--results-only"], standalone_mode=False))
"""


def write_run(folder: Path) -> Path:
    """Twelve scans of films whose a-axis share grows, one of them damaged, and the run's files."""
    folder.mkdir(parents=True, exist_ok=True)
    premises = premises_on("crystal", 0.5)
    for number in range(FILMS):
        share = 0.015 * number
        scan, _ = scan_of(premises, seed=number, c_axis=1.0 - share, a_axis=share, random=0.0)
        write_scan(folder / f"f{number:02d}.xy", scan)
    (folder / "f05.xy").write_text("no scan at all\n")
    (folder / "run.toml").write_text(RUN)
    (folder / "limits.toml").write_text(LIMITS)
    return folder


def start(folder: Path, *options: str) -> subprocess.Popen[bytes]:
    """Judge the run in a process of its own."""
    script = folder.parent / "judge_it.py"
    script.write_text(SCRIPT)
    return subprocess.Popen(
        [sys.executable, str(script), str(folder), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parent.parent,
    )
