"""The table of what a check may find in a scan: a stable code, what it means, what to do."""

from __future__ import annotations

from dataclasses import dataclass

from xrdfilm.scan import Action, Finding, Scan


@dataclass(frozen=True, slots=True)
class Kind:
    """What a finding code stands for, and what the user can do about it."""

    action: Action
    meaning: str
    remedy: str


FINDINGS: dict[str, Kind] = {
    # -- assumed, and told
    "axis_assumed": Kind(
        "noted",
        "nothing in the file names the axis; its range fits 2θ, so 2θ is assumed",
        "name the column, or state axis under [scan] in run.toml",
    ),
    "axis_from_name": Kind(
        "noted",
        "the axis was taken from the name of the file",
        "name the column, or state axis under [scan] in run.toml",
    ),
    "axis_from_range": Kind(
        "noted",
        "the axis was told from its range alone",
        "name the column, or state axis under [scan] in run.toml",
    ),
    "unit_assumed": Kind(
        "noted",
        "nothing says whether intensities are counts or counts/s; counts are assumed",
        "state intensity_unit under [scan] in run.toml, and for counts/s the step time",
    ),
    "wavelength_unknown": Kind(
        "noted",
        "the file gives no wavelength; that of the run file or the default anode will be assumed",
        "state anode or wavelength_A under [optics] in run.toml",
    ),
    "anode_from_wavelength": Kind(
        "noted",
        "the anode was told from the wavelength in the file",
        "give the anode if it is another",
    ),
    "axis_corrected": Kind(
        "noted",
        "the angles are corrected ones, not those measured; a displacement found from them is "
        "what the correction left over",
        "nothing, or give the measured scan",
    ),
    "cif_mended": Kind(
        "repaired", "items without a value, which CIF does not allow, were passed over", "nothing"
    ),
    "links_left": Kind(
        "noted",
        "links to other files were not followed",
        "export the scan with its data inside one file",
    ),
    "column_ignored": Kind(
        "noted",
        "a column is neither axis, intensity nor uncertainty, and was left aside",
        "choose the columns if it matters: columns under [scan] in run.toml",
    ),
    "attenuator_column": Kind(
        "noted",
        "a column holds the attenuator's factor, not an uncertainty",
        "nothing, unless the column means something else: then choose the columns",
    ),
    "counts_not_whole": Kind(
        "noted",
        "intensities are no whole numbers, though their scatter is that of counts",
        "export the registered counts where the instrument can",
    ),
    "stated_over_header": Kind(
        "flagged",
        "the file says something else than what was stated; the stated value is used",
        "see which is right; take it out of the run file where the file is",
    ),
    # -- put right, and told
    "columns_turned": Kind(
        "repaired",
        "the intensity stands before the angle; the column that runs steadily was taken for the "
        "angle",
        "see whether the columns were swapped; name them, or state columns under [scan] in "
        "run.toml",
    ),
    "descending": Kind("repaired", "the axis runs downwards; rows were turned round", "nothing"),
    "unsorted": Kind(
        "repaired",
        "a few rows were out of order and were sorted",
        "see whether the file was edited",
    ),
    "duplicate_angles": Kind(
        "repaired",
        "an angle stands more than once; the first reading was kept",
        "see whether ranges overlap",
    ),
    "angles_rounded": Kind(
        "repaired",
        "angles were written with too few digits for their step; an even axis was laid through "
        "them",
        "export with more digits",
    ),
    "not_finite": Kind(
        "repaired",
        "rows without a possible number (blank, NaN, infinite, beyond all bounds) were left out",
        "see the file",
    ),
    "abort_rows": Kind(
        "repaired",
        "rows with a stand-in such as -9999, as an aborted scan leaves them, were left out",
        "measure again if the range is needed",
    ),
    "torn_line": Kind(
        "repaired", "a line with the wrong number of fields was left out", "see the file"
    ),
    "stray_row": Kind(
        "repaired",
        "numbers right above the rows, far off the axis, were taken for the header's",
        "choose the columns if they were measured",
    ),
    "rate_to_counts": Kind(
        "repaired", "counts/s were turned back to counts with the step time", "nothing"
    ),
    "attenuation_undone": Kind(
        "repaired",
        "the intensities do not carry the attenuator's factor; they were multiplied by it and "
        "given the uncertainty of what was registered",
        "choose the columns if the factor was already in",
    ),
    "ranges_joined": Kind(
        "repaired", "several ranges in one file were joined to one scan", "nothing"
    ),
    "range_times_differ": Kind(
        "repaired",
        "ranges were counted for different times; all were brought to the first one's time and "
        "given their own uncertainty",
        "nothing",
    ),
    "sigma_repaired": Kind(
        "repaired",
        "some uncertainties in the file are zero, negative or no number; those of counting stand "
        "in for them",
        "see the file",
    ),
    # -- a figure may be poor
    "axis_unknown": Kind(
        "flagged",
        "the axis is no 2θ by its range, and nothing says what it is",
        "give the axis (2θ, ω, φ or χ)",
    ),
    "rate_without_time": Kind(
        "flagged",
        "intensities are counts/s but the step time is not known; uncertainties come from the "
        "scatter of neighbouring points",
        "state step_time_s under [optics] in run.toml",
    ),
    "normalised": Kind(
        "flagged",
        "intensities were scaled to a round maximum; counting statistics no longer hold, "
        "uncertainties come from the scatter of neighbouring points",
        "export the registered counts",
    ),
    "scatter_not_poisson": Kind(
        "flagged",
        "neighbouring points scatter more or less than counts do: rates, a scaled, smoothed or "
        "summed signal",
        "state intensity_unit and the step time, or export the registered counts",
    ),
    "negative_counts": Kind(
        "flagged",
        "some intensities are negative, so something was subtracted; counting statistics no "
        "longer hold",
        "use the raw intensity",
    ),
    "net_intensity": Kind(
        "flagged",
        "only a corrected (net) intensity is in the file; counting statistics no longer hold",
        "export the raw intensity",
    ),
    "gap": Kind(
        "flagged", "a stretch of the axis was not measured", "measure it if lines lie there"
    ),
    "uneven_step": Kind(
        "flagged", "the steps of the axis differ", "nothing if meant; areas use the real steps"
    ),
    "coarse_step": Kind(
        "flagged",
        "the step is too coarse for the lines: fewer than four points over half the height",
        "measure with a finer step",
    ),
    "spike": Kind(
        "flagged",
        "a single point stands far above both neighbours: a hot pixel, a cosmic ray or a spark, "
        "unless a line is narrower than the step",
        "mask the point; a hot pixel shows at the same place in every scan",
    ),
    "saturation": Kind(
        "flagged",
        "the strongest points are cut off flat or stand at the counter's full scale",
        "attenuate the beam and measure again",
    ),
    "dead_time": Kind(
        "flagged",
        "the counting rate is so high that many counters lose counts (over 5·10⁵ a second)",
        "see the counter's data sheet; attenuate if in doubt",
    ),
    "direct_beam": Kind(
        "flagged",
        "the lowest angles look into the direct beam",
        "leave them out; they carry no line",
    ),
    "low_counts": Kind(
        "flagged",
        "under one count a point on average: a line shows only where it is strong",
        "count longer",
    ),
    # -- no scan
    "empty": Kind("refused", "no points are left", "see the file"),
    "too_few_points": Kind("refused", "fewer than five points are no scan", "see the file"),
    "constant": Kind(
        "refused", "all intensities are the same", "see the shutter, the counter and the columns"
    ),
    "not_an_axis": Kind(
        "refused", "the axis jumps to and fro", "choose the columns: this one is no axis"
    ),
    "sparse_nodes": Kind(
        "refused",
        "a few unevenly spaced points: nodes of a background or of a curve, no measured scan",
        "give the measured scan",
    ),
    "background_values": Kind(
        "refused", "the file says that it holds background values", "give the measured scan"
    ),
    "results_table": Kind(
        "refused", "the file is a table of results (peaks, fits), no scan", "give the measured scan"
    ),
}
"""Every finding: code -> what was done, what it means, what to do."""


_ASSUMED = {
    "axis_assumed": "axis: 2θ, by its range",
    "axis_from_name": "axis: that in the file's name",
    "axis_from_range": "axis: by its range",
    "unit_assumed": "intensities: counts",
}


def assumed_of(scan: Scan) -> tuple[str, ...]:
    """What was assumed of a scan since its file does not say it; the same for like files."""
    return tuple(dict.fromkeys(_ASSUMED[one.code] for one in scan.findings if one.code in _ASSUMED))


def finding(code: str, detail: str = "") -> Finding:
    """A finding of the table, with what this scan shows of it."""
    kind = FINDINGS[code]
    return Finding(code, kind.action, f"{kind.meaning} ({detail})" if detail else kind.meaning)


class RefusedError(ValueError):
    """The arrays are no scan; carries the finding that says why."""

    def __init__(self, code: str, detail: str = "") -> None:
        self.finding = finding(code, detail)
        super().__init__(f"{self.finding.text}; {FINDINGS[code].remedy}")
