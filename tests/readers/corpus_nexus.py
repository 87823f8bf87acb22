"""NeXus and other HDF5."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
from written import Case, X, Y, text_case

CASES: list[Case] = []


def case(name: str, text: str | bytes, **expect: object) -> None:
    CASES.append(text_case(name, text, **expect))


# -- NeXus -------------------------------------------------------------------------------------
def nexus(write: Callable[[object], None]) -> bytes:
    import h5py

    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        write(file)
    return buffer.getvalue()


def entry(
    file: object,
    *,
    x: np.ndarray = X,
    y: np.ndarray = Y,
    name: str = "entry",
    x_name: str = "two_theta",
    units: str = "deg",
    signal_units: str = "counts",
) -> object:
    group = file.create_group(f"{name}/data")  # type: ignore[attr-defined]
    file[name].attrs["NX_class"] = "NXentry"  # type: ignore[index]
    group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": [x_name]})
    group[x_name] = x
    group[x_name].attrs["units"] = units
    group["counts"] = y
    group["counts"].attrs["units"] = signal_units
    return group


def _with_facts(file: object) -> None:
    entry(file)
    beam = file.create_group("entry/instrument/beam")  # type: ignore[attr-defined]
    beam["incident_wavelength"] = 0.15406
    beam["incident_wavelength"].attrs["units"] = "nm"
    file["entry/instrument/count_time"] = 0.5  # type: ignore[index]
    file["entry/sample_name"] = "film 7"  # type: ignore[index]


def _with_errors(file: object) -> None:
    entry(file)["counts_errors"] = np.sqrt(Y) + 1.0  # type: ignore[index]


def _old_style(file: object) -> None:
    group = file.create_group("entry1/data")  # type: ignore[attr-defined]
    group.attrs["NX_class"] = "NXdata"
    group["counts"] = Y.astype(np.int32)
    group["counts"].attrs["signal"] = 1
    group["counts"].attrs["axes"] = "polar_angle"
    group["polar_angle"] = X.astype(np.float32)


def _soft_link(file: object) -> None:
    import h5py

    group = entry(file)
    file["raw/counts"] = Y  # type: ignore[index]
    del group["counts"]  # type: ignore[attr-defined]
    group["counts"] = h5py.SoftLink("/raw/counts")  # type: ignore[index]


def _external_link(file: object) -> None:
    import h5py

    group = entry(file)
    del group["counts"]  # type: ignore[attr-defined]
    group["counts"] = h5py.ExternalLink("other.nxs", "/counts")  # type: ignore[index]


def _loop_of_links(file: object) -> None:
    import h5py

    group = entry(file)
    group["up"] = file["entry"]  # type: ignore[index]
    group["self"] = h5py.SoftLink("/entry/data/self")  # type: ignore[index]


def _series(file: object) -> None:
    entry(file, y=np.stack([Y, Y + 1, Y + 2]))


def _nothing(file: object) -> None:
    file["numbers"] = Y  # type: ignore[index]


case(
    "NeXus",
    nexus(lambda file: entry(file)),
    file_name="a.nxs",
    absent=("unit_assumed", "axis_assumed"),
    attributes=(("format", "NeXus"),),
)
case(
    "NeXus with facts",
    nexus(_with_facts),
    file_name="a.nxs",
    attributes=(("wavelength_A", 1.5406), ("anode", "Cu"), ("step_time_s", 0.5)),
    meta=(("entry sample_name", "film 7"),),
)
case("NeXus with errors", nexus(_with_errors), file_name="a.h5", sigma=np.sqrt(Y) + 1.0)
case("NeXus, old style", nexus(_old_style), file_name="a.nxs", x=X.astype(np.float32).astype(float))
case(
    "NeXus in radians",
    nexus(lambda file: entry(file, x=np.radians(X), units="rad")),
    file_name="a.nxs",
)
case(
    "NeXus histogram edges",
    nexus(lambda file: entry(file, x=np.r_[X - 0.025, X[-1] + 0.025])),
    file_name="a.nxs",
)
case("NeXus soft link", nexus(_soft_link), file_name="a.nxs")
case("NeXus loop of links", nexus(_loop_of_links), file_name="a.nxs")
case("NeXus series", nexus(_series), file_name="a.nxs", scans=3)
case(
    "NeXus two entries",
    nexus(lambda file: (entry(file), entry(file, name="entry2"))),
    file_name="a.nxs",
    scans=2,
)
case(
    "NeXus rocking",
    nexus(lambda file: entry(file, x=X - 10, x_name="omega")),
    file_name="a.nxs",
    x=X - 10,
    axis="omega",
)
case(
    "NeXus rate",
    nexus(lambda file: entry(file, signal_units="counts/s")),
    file_name="a.nxs",
    codes=("rate_without_time",),
)
case(
    "NeXus over Q",
    nexus(lambda file: entry(file, x_name="Q", units="1/angstrom")),
    file_name="a.nxs",
    refused="the axis is",
)
case("NeXus external link", nexus(_external_link), file_name="a.nxs", refused="not followed")
case("HDF5 without NXdata", nexus(_nothing), file_name="a.h5", refused="without an NXdata group")
case(
    "HDF5 cut off",
    nexus(lambda file: entry(file))[:900],
    file_name="a.h5",
    refused="damaged HDF5|without",
)
