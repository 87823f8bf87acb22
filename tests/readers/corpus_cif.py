"""Powder CIF: measured, processed, ranges, uncertainties in parentheses, several blocks."""

from __future__ import annotations

import numpy as np
from written import Case, X, Y, rows, text_case

CASES: list[Case] = []


def case(name: str, text: str | bytes, **expect: object) -> None:
    CASES.append(text_case(name, text, **expect))


# -- powder CIF --------------------------------------------------------------------------------
def cif_loop(*tags: str, form: str = " {x:.4f} {y:.0f}") -> str:
    return "loop_\n" + "".join(f" {tag}\n" for tag in tags) + rows(form)


def _with_sigma(value: float) -> str:
    return f"{value:.0f}({round(np.sqrt(value))})"


case(
    "CIF counts",
    "data_a\n_diffrn_radiation_wavelength 1.5406\n"
    + cif_loop("_pd_meas_2theta_scan", "_pd_meas_counts_total"),
    file_name="a.cif",
    absent=("unit_assumed", "axis_assumed"),
    attributes=(("wavelength_A", 1.5406), ("format", "powder CIF")),
)
case(
    "CIF with ranges",
    "data_a\n_pd_meas_2theta_range_min 20.0\n_pd_meas_2theta_range_max 23.95\n"
    "_pd_meas_2theta_range_inc 0.05\n" + cif_loop("_pd_meas_counts_total", form=" {y:.0f}"),
    file_name="a.cif",
)
case(
    "CIF with uncertainties",
    "data_a\nloop_\n _pd_proc_point_id\n _pd_proc_2theta_corrected\n _pd_proc_intensity_total\n"
    + "".join(
        f" {i} {a:.4f} {_with_sigma(b)}\n" for i, (a, b) in enumerate(zip(X, Y, strict=True), 1)
    ),
    file_name="a.cif",
    sigma=np.round(np.sqrt(Y)),
    codes=("axis_corrected",),
)
case(
    "CIF, new names",
    "data_a\n_diffrn_radiation_wavelength.value 1.7890\n"
    + cif_loop("_pd_meas.2theta_scan", "_pd_meas.counts_total"),
    file_name="a.cif",
    attributes=(("anode", "Co"),),
)
case(
    "CIF of two blocks",
    "".join(
        f"data_b{i}\n" + cif_loop("_pd_meas_2theta_scan", "_pd_meas_counts_total") for i in range(2)
    ),
    file_name="a.cif",
    scans=2,
)
case(
    "CIF measured and calculated",
    "data_a\nloop_\n _pd_meas_2theta_scan\n _pd_meas_intensity_total\n"
    " _pd_calc_intensity_total\n _pd_proc_ls_weight\n" + rows(" {x:.4f} {y:.1f} 1.0 0.5"),
    file_name="a.cif",
)
case(
    "CIF net",
    "data_a\n"
    + cif_loop("_pd_proc_2theta_corrected", "_pd_proc_intensity_net", form=" {x:.4f} {y:.1f}"),
    file_name="a.cif",
    codes=("net_intensity",),
    attributes=(("poisson", False),),
)
case(
    "CIF with weights",
    "data_a\nloop_\n _pd_proc_2theta_corrected\n _pd_proc_intensity_total\n _pd_proc_ls_weight\n"
    + rows(" {x:.4f} {y:.1f} 0.25"),
    file_name="a.cif",
    sigma=np.full(X.size, 2.0),
)
case(
    "CIF with unknown values",
    "data_a\n" + cif_loop("_pd_meas_2theta_scan", "_pd_meas_counts_total") + " 24.0 ?\n 24.05 .\n",
    file_name="a.cif",
    codes=("not_finite",),
)
case(
    "CIF with an item without value",
    "data_a\n_diffrn_detector?\n_pd_spec_shape flat\n"
    + cif_loop("_pd_meas_2theta_scan", "_pd_meas_counts_total"),
    file_name="a.cif",
    codes=("cif_mended",),
)
case(
    "CIF with text blocks",
    "data_a\n_exptl_special_details\n;\n data_ loop_ nothing 20 30\n;\n"
    + cif_loop("_pd_meas_2theta_scan", "_pd_meas_counts_total"),
    file_name="a.cif",
)
case(
    "CIF over time of flight",
    "data_a\n" + cif_loop("_pd_meas_time_of_flight", "_pd_meas_counts_total"),
    file_name="a.cif",
    refused="time of flight",
)
case(
    "CIF of a structure",
    "data_a\n_cell_length_a 3.82\nloop_\n _atom_site_label\n _atom_site_fract_x\n"
    " Ba 0.5\n Cu 0.0\n",
    file_name="a.cif",
    refused="without a measured pattern",
)
case(
    "CIF broken off",
    "data_a\nloop_\n _pd_meas_2theta_scan\n _pd_meas_counts_total\n 20.0 1\n 20.1\n",
    file_name="a.cif",
    refused="no well-formed CIF",
)
