"""Openly licensed measured scans: results, or an honest refusal with its reason.

The scans are not part of the repository; XRDFILM_REAL_SCANS says where they are.
"""

import os
from pathlib import Path

import pytest

from xrdfilm.results import Film
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import judge_run

REAL = os.environ.get("XRDFILM_REAL_SCANS", "")
pytestmark = pytest.mark.skipif(
    not Path(REAL).is_dir() or not REAL, reason="XRDFILM_REAL_SCANS names no folder of scans"
)

# The defect pyrochlore with its atoms at the ideal places (from memory), for the strengths of lines
CIF = """data_{key}
_cell_length_a 10.5
_cell_length_b 10.5
_cell_length_c 10.5
_cell_angle_alpha 90
_cell_angle_beta 90
_cell_angle_gamma 90
_space_group_name_H-M_alt 'F d -3 m :2'
loop_
_atom_site_label
_atom_site_type_symbol
_atom_site_fract_x
_atom_site_fract_y
_atom_site_fract_z
_atom_site_occupancy
_atom_site_B_iso_or_equiv
Rb Rb 0.375 0.375 0.375 1 3.0
{metal} {metal} 0.5 0.5 0.5 1 0.7
O O 0.3125 0.125 0.125 0.8333 1.0
F F 0.3125 0.125 0.125 0.1667 1.0
"""


def judge(path: Path, stated: dict[str, object]) -> Film:
    (planned,) = gather_runs([path], stated=stated)  # type: ignore[arg-type]
    (film,) = judge_run(planned).result.films
    return film


# Published cubic cells, Fd-3m: openly licensed data set RbM2O5F (MIT), values as its authors give
@pytest.mark.parametrize(
    ("key", "metal", "edge_A"), [("RbNb2O5F", "Nb", 10.49561), ("RbTa2O5F", "Ta", 10.47740)]
)
def test_cells_of_powders_are_the_published_ones(
    tmp_path: Path, key: str, metal: str, edge_A: float
) -> None:
    cif = tmp_path / f"{key}.cif"
    cif.write_text(CIF.format(key=key, metal=metal))
    film = judge(
        Path(REAL) / "rbm2o5f" / f"{key}.dat",
        {
            "stack": {"film": key, "powder": True},
            "optics": {"anode": "Cu"},
            "phase": [{"key": key, "file": str(cif)}],
        },
    )
    assert film.lattice is not None
    edge = film.lattice.a_A
    assert edge is not None
    assert edge.low is not None
    assert edge.high is not None
    assert edge.value == pytest.approx(edge_A, abs=0.001)
    assert edge.low < edge_A < edge.high


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("rbm2o5f/RbNb2O5F.background_points.xy", "background"),
        ("caco3/all_samples_rocking_peaks_vs_phi.csv", "table of results"),
        ("caco3/calcite_single_crystal_rocking_peaks_metrics.csv", "table of results"),
        ("caco3/SH-124-B3_corrected_rocking_0.csv", "not a coupled scan"),
        ("caco3/SH-104-1_2Theta_0_exported.xy", "do not fall on the peaks"),
        ("fairmat/TwoTheta_scan_powder.Profile0.txt", "do not fall on the peaks"),
        ("lund/Sample1.txt", "do not fall on the peaks"),
        ("lund/Sample2.txt", "do not fall on the peaks"),
    ],
)
def test_what_is_no_scan_of_the_stated_film_is_refused(name: str, reason: str) -> None:
    film = judge(Path(REAL) / name, {"stack": {"film": "YBCO", "substrate": "SrTiO3"}})
    assert film.verdict == "unreadable"
    assert reason in film.warnings[0]


def test_every_scan_gives_a_result_or_a_reason() -> None:
    paths = [
        p for p in Path(REAL).rglob("*") if p.is_file() and p.name not in ("LICENSE", "README.md")
    ]
    assert len(paths) >= 15
    for path in paths:
        film = judge(path, {"stack": {"film": "YBCO", "substrate": "SrTiO3"}})
        assert film.verdict in ("unreadable", "undecided")
        assert film.warnings, path
