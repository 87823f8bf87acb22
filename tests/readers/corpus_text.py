"""Plain text in every style: separators, numbers, encodings, headers, columns, units, axes."""

from __future__ import annotations

import numpy as np
from written import Case, X, Y, comma, rows, text_case

CASES: list[Case] = []


def case(name: str, text: str | bytes, **expect: object) -> None:
    CASES.append(text_case(name, text, **expect))


# -- separators and line ends ------------------------------------------------------------------
case("blanks", rows())
case("tab", rows("{x:.4f}\t{y:.0f}"))
case("comma in an .xy file", rows("{x:.4f},{y:.0f}"))
case("comma and blank", rows("{x:.4f}, {y:.0f}"))
case("semicolon", rows("{x:.4f};{y:.0f}"))
case("trailing commas", rows("{x:.4f},{y:.0f},,"))
case("trailing semicolon", rows("{x:.4f};{y:.0f};"))
case("leading blanks in columns", rows("{x:>12.4f}{y:>14.1f}"))
case("CRLF", rows(end="\r\n"))
case("CR alone", rows(end="\r"))
case("CRLF and tab", rows("{x:.4f}\t{y:.5f}", end="\r\n"))
case("no newline at the end", rows().rstrip("\n"))
case("blank lines between rows", rows(end="\n\n"))
case("form feed at the end", rows() + "\x1a")
# -- numbers -----------------------------------------------------------------------------------
case("decimal comma and tab", comma(rows("{x:.4f}\t{y:.1f}")))
case("decimal comma and semicolon", comma(rows("{x:.4f};{y:.1f}")))
case("decimal comma and blanks", comma(rows("{x:.4f}  {y:.2f}")))
case("decimal comma in the angle alone", comma(rows("{x:.4f}\t{y:.0f}")))
case("decimal comma, three decimals", comma(rows("{x:.3f}\t{y:.3f}")))
case("quoted decimal commas", rows('"{x:.4f}","{y:.1f}"').replace(".", ","))
case("thousands in quotes", rows('{x:.4f},"{y:,.1f}"'))
case("thousands with tab", rows("{x:.4f}\t{y:,.0f}"))
case("three-digit exponents", rows("{x:.6e} {y:.6e}").replace("e+0", "E+00"))
case("FORTRAN exponents", rows("{x:.6e} {y:.6e}").replace("e", "D"))
case("plus signs", rows("+{x:.4f} +{y:.0f}"))
case("floats as counts", rows("{x:.4f} {y:.5f}"))
case("comma is both", comma(rows("{x:.4f},{y:.1f}")), refused="commas may be both")
# -- encodings ---------------------------------------------------------------------------------
case(
    "UTF-8 mark",
    b"\xef\xbb\xbf" + rows("{x:.4f}\t{y:.3f}\t1", end="\r\n").encode(),
    codes=("attenuator_column",),
)
case(
    "UTF-16 with mark",
    ("2θ (°)\tCounts\r\n" + rows("{x:.4f}\t{y:.0f}", end="\r\n")).encode("utf-16"),
)
case("UTF-16 without mark", rows("{x:.4f}\t{y:.0f}", end="\r\n").encode("utf-16-le"))
case("UTF-16 big end", ("\ufeff" + rows()).encode("utf-16-be"))
case(
    "Latin-1 degree sign",
    ("Angle (°2Theta);Intensity (counts)\n" + rows("{x:.4f};{y:.0f}")).encode("latin-1"),
)
case(
    "Shift-JIS header", ("測定日 , 令和\n角度 , 強度\n" + rows("{x:.4f}, {y:.0f}")).encode("cp932")
)
case(
    "curly quotes",
    "Sample: “film 7”\nAnode: “Co”\n" + rows(),
    attributes=(("anode", "Co"),),
    meta=(("Sample", "film 7"),),
)
# -- headers -----------------------------------------------------------------------------------
case("hash comments", "# a scan\n# of a film\n" + rows())
case(
    "two hashes, keys",
    "## Anode: Cu\n## Step time: 0.5 s\n" + rows(),
    attributes=(("anode", "Cu"), ("step_time_s", 0.5)),
)
case("exclamation marks", "! angle counts\n" + rows())
case(
    "semicolon comments",
    "; measured on a coupon\n; K-Alpha1 = 1.54060\n" + rows(),
    attributes=(("wavelength_A", 1.5406), ("anode", "Cu")),
)
case(
    "star keys",
    "*SAMPLE film seven\n*TARGET Co\n*STEP_TIME 2.0\n*COUNT 80\n" + rows(),
    attributes=(("anode", "Co"), ("step_time_s", 2.0)),
)
case(
    "underscore keys",
    "_SAMPLE=film\n_ANODE=Cu\n_WAVELENGTH=1.540598\n" + rows(),
    attributes=(("wavelength_A", 1.540598), ("anode", "Cu")),
)
case(
    "sections",
    "[Measurement conditions]\nSample name,film 7\nAnode material,Cu\n"
    "K-Alpha1 wavelength,1.540598\nScan step time,0.5\n\n[Scan points]\nAngle,Intensity\n"
    + rows("{x:.4f},{y:.0f}"),
    attributes=(("anode", "Cu"), ("wavelength_A", 1.540598), ("step_time_s", 0.5)),
)
case("hash glued to a name", "#2theta counts\n" + rows(), absent=("axis_assumed", "unit_assumed"))
case(
    "one-line pairs",
    'Id: "K-9" Phi: "0" Scantype: "2Theta-Theta" Anode: "Cu" Wavelength: "1.5406"\n'
    + rows("{x:.5f} {y:.3f}"),
    attributes=(("wavelength_A", 1.5406), ("anode", "Cu")),
    meta=(("Id", "K-9"), ("Phi", "0")),
    absent=("axis_assumed",),
)
case(
    "quoted commas in a header",
    '"Comment","cut from reel, 5 m, left side"\n"Angle","Counts"\n' + rows("{x:.4f},{y:.0f}"),
    meta=(("Comment", "cut from reel, 5 m, left side"),),
)
case("numbers among the header", "film\n20.0 24.0 0.05\n80\n" + rows())
case("long header", "".join(f"# key{i}: value {i}\n" for i in range(300)) + rows())
case(
    "names and units in two lines",
    "Angle\tIntensity\ndeg\tcounts\n" + rows("{x:.4f}\t{y:.0f}"),
    absent=("unit_assumed",),
)
case("tail after the rows", rows() + "\n# end of scan\nTotal: 80 points\n")
case("comment behind a row", rows().replace("\n", "  # checked\n", 1))
case(
    "wavelength in nm",
    "Wavelength (nm): 0.15406\n" + rows(),
    attributes=(("wavelength_A", 1.5406),),
)
case(
    "speed tells the step time",
    "Scan speed: 3 deg/min\nStep size: 0.05\n" + rows(),
    attributes=(("step_time_s", 1.0),),
)
case("step time in ms", "Exposure time [ms]: 250\n" + rows(), attributes=(("step_time_s", 0.25),))
# -- columns -----------------------------------------------------------------------------------
case("third column sigma", rows("{x:.4f} {y:.0f} {s:.5f}"), sigma=np.round(np.sqrt(Y), 5))
case(
    "third column named error",
    "2theta,intensity,error\n" + rows("{x:.4f},{y:.0f},7.5"),
    sigma=np.full(X.size, 7.5),
)
case("intensity before the angle", rows("{y:.0f} {x:.4f}"), codes=("columns_turned",))
case("angle before the intensity", rows("{x:.4f} {y:.0f}"), absent=("columns_turned",))
case(
    "intensity before the angle, then sigma",
    rows("{y:.0f} {x:.4f} {s:.5f}"),
    sigma=np.round(np.sqrt(Y), 5),
    codes=("columns_turned",),
)
case("third column an attenuator", rows("{x:.4f} {y:.0f} 1"), codes=("attenuator_column",))
case(
    "2θ in the second column",
    "Point,2Theta,Counts\n"
    + "".join(f"{i},{a:.4f},{b:.0f}\n" for i, (a, b) in enumerate(zip(X, Y, strict=True), 1)),
)
case("counts first", "Counts\t2Theta (deg)\n" + rows("{y:.0f}\t{x:.4f}"))
case(
    "index without names",
    "".join(f"{i} {a:.4f} {b:.0f}\n" for i, (a, b) in enumerate(zip(X, Y, strict=True))),
)
case("limits right above the rows", "10.0 80.0\n" + rows(), codes=("stray_row",))
case("limits the other way", "80.0 10.0\n" + rows(), codes=("stray_row",))
case("words like names", "Film seven\n" + rows(), codes=("axis_assumed",))
case("a key of two words", "# Sample: [x]\n" + rows(), meta=(("Sample", "[x]"),))
case(
    "raw beside net",
    "2Theta (degrees),Raw Intensity,Baseline,Corrected Net Intensity\n"
    + "".join(f"{a},{b},200.5,{b - 200.5}\n" for a, b in zip(X, Y, strict=True)),
    codes=("column_ignored",),
    absent=("negative_counts", "net_intensity"),
)
case(
    "net alone",
    "2Theta,Net Intensity\n" + rows("{x:.4f},{y:.2f}"),
    codes=("net_intensity",),
    attributes=(("poisson", False),),
)
case(
    "observed and calculated",
    "! 2Theta Yobs Ycalc Diff\n" + rows("{x:.4f} {y:.1f} {y:.1f} 0.0"),
    codes=("column_ignored",),
)
case(
    "a column of words",
    "2Theta,Counts,State\n" + rows("{x:.4f},{y:.0f},ok"),
    codes=("column_ignored",),
)
case(
    "intensities side by side",
    "2Theta,Counts A,Counts B\n" + rows("{x:.4f},{y:.0f},{s:.3f}"),
    scans=2,
    meta=(("column", "Counts A"),),
)
case("one column", rows("{y:.0f}"), refused="one number a line")
# -- units -------------------------------------------------------------------------------------
case(
    "counts/s with a step time",
    "Step time: 2\n2theta cps\n" + rows("{x:.4f} {y:.1f}"),
    y=2.0 * Y,
    codes=("rate_to_counts",),
    absent=("unit_assumed",),
    attributes=(("count_scale", 2.0), ("poisson", True)),
)
case(
    "counts/s without a step time",
    "2theta,Intensity (counts/s)\n" + rows("{x:.4f},{y:.1f}"),
    codes=("rate_without_time",),
    attributes=(("poisson", False), ("step_time_s", None)),
)
case(
    "normalised to 1",
    rows("{x:.4f} {y:.8f}", y=Y / Y.max()),
    y=np.round(Y / Y.max(), 8),
    codes=("normalised",),
    attributes=(("poisson", False),),
)
case(
    "normalised to 100",
    rows("{x:.4f} {y:.6f}", y=100 * Y / Y.max()),
    y=np.round(100 * Y / Y.max(), 6),
    codes=("normalised",),
    attributes=(("poisson", False),),
)
# -- rows to repair ----------------------------------------------------------------------------
case("descending", rows(x=X[::-1], y=Y[::-1]), codes=("descending",))
case("abort rows", rows() + "24.0000 -9999\n24.0500 -9999\n", codes=("abort_rows",))
case("abort rows in both columns", rows() + "-9999 -9999\n" * 3, codes=("abort_rows",))
case("NaN rows", rows() + "24.00 nan\n24.05 NaN\n", codes=("not_finite",))
case("missing cells", rows("{x:.4f},{y:.0f}") + "24.00,\n24.05,\n", codes=("not_finite",))
case("infinite rows", rows() + "24.00 inf\n", codes=("not_finite",))
case("question marks", rows("{x:.4f}\t{y:.0f}") + "24.0\t?\n24.05\t--\n", codes=("not_finite",))
case("an angle twice", rows() + f"{X[-1]:.4f} 999\n", codes=("duplicate_angles",))
case(
    "two rows changed round",
    rows(x=np.r_[X[:10], X[11], X[10], X[12:]], y=np.r_[Y[:10], Y[11], Y[10], Y[12:]]),
    codes=("unsorted",),
)
case(
    "a torn line",
    rows().replace(f"{X[40]:.4f} {Y[40]:.0f}\n", "21.\n"),
    x=np.delete(X, 40),
    y=np.delete(Y, 40),
    codes=("torn_line", "gap"),
)
# -- several ranges and scans ------------------------------------------------------------------
case(
    "two ranges",
    "# range 1\n" + rows() + "# range 2\n" + rows(x=X + 10),
    x=np.r_[X, X + 10],
    y=np.r_[Y, Y],
    codes=("ranges_joined", "gap"),
)
case(
    "two ranges that touch",
    "# range 1\n" + rows() + "# range 2\n" + rows(x=X + X[-1] - X[0]),
    x=np.r_[X, (X + X[-1] - X[0])[1:]],
    y=np.r_[Y, Y[1:]],
    codes=("ranges_joined", "duplicate_angles"),
)
case("two scans under headers", "Sample: A\n" + rows() + "Sample: B\n" + rows(), scans=2)
case("two scans without a word", rows() + rows(), scans=2)
case("scans at two azimuths", "2Theta, Phi: 0\n" + rows() + "2Theta, Phi: 90\n" + rows(), scans=2)
# -- axes --------------------------------------------------------------------------------------
case(
    "rocking by its name",
    "Theta (degrees),Raw Intensity\n" + rows("{x:.4f},{y:.1f}", x=X - 10),
    x=X - 10,
    axis="omega",
    absent=("axis_assumed",),
)
case("rocking by a key", "Scan axis: Omega\n" + rows(x=X - 10), x=X - 10, axis="omega")
case(
    "azimuth by range",
    rows("{x:.2f} {y:.0f}", x=np.linspace(-180, 180, X.size)),
    x=np.round(np.linspace(-180, 180, X.size), 2),
    axis="phi",
    codes=("axis_from_range",),
)
case("azimuth by file name", rows(), file_name="phi103.xy", axis="phi", codes=("axis_from_name",))
case("tilt by column", "chi counts\n" + rows(x=X + 20), x=X + 20, axis="chi")
case(
    "negative angles alone",
    rows(x=X - 22),
    x=np.round(X - 22, 4),
    axis="unknown",
    codes=("axis_unknown",),
)
case(
    "reflectivity",
    rows("{x:.4f} {y:.4f}", x=np.linspace(0.2, 4.0, 96), y=1e6 * np.linspace(0.2, 4.0, 96) ** -4),
    x=np.round(np.linspace(0.2, 4.0, 96), 4),
    y=np.round(1e6 * np.linspace(0.2, 4.0, 96) ** -4, 4),
    axis="reflectivity",
)
case("Q axis", "Q (1/A),Intensity\n" + rows("{x:.4f},{y:.0f}"), refused="the axis is")
case("another motor", "gamma (deg),Counts\n" + rows("{x:.4f},{y:.0f}"), refused="the axis is")
case("time axis", "Time (s)\tCounts\n" + rows("{x:.4f}\t{y:.0f}"), refused="the axis is")
# -- checks ------------------------------------------------------------------------------------
_SPIKED = Y.copy()
_SPIKED[15] = 5000.0
case("hot pixel", rows(y=_SPIKED), y=_SPIKED, codes=("spike",))
case("cut-off top", rows(y=np.minimum(Y, 2000.0)), y=np.minimum(Y, 2000.0), codes=("saturation",))
case(
    "full scale",
    rows(y=np.where(np.arange(X.size) == 40, 65535.0, Y * 20)),
    y=np.where(np.arange(X.size) == 40, 65535.0, Y * 20),
    codes=("saturation",),
)
case("dead time", "Step time: 0.001 s\n" + rows(), codes=("dead_time",))
case(
    "negative counts",
    rows(y=Y - 210),
    y=Y - 210,
    codes=("negative_counts",),
    attributes=(("poisson", False),),
)
case(
    "gap",
    rows(x=np.delete(X, slice(30, 36)), y=np.delete(Y, slice(30, 36))),
    x=np.delete(X, slice(30, 36)),
    y=np.delete(Y, slice(30, 36)),
    codes=("gap",),
)
case(
    "uneven steps",
    rows(x=20 + (X - 20) ** 1.3),
    x=np.round(20 + (X - 20) ** 1.3, 4),
    codes=("uneven_step",),
)
case(
    "coarse steps",
    rows(x=20 + 10 * (X - 20)),
    x=np.round(20 + 10 * (X - 20), 4),
    codes=("coarse_step",),
)
case("constant", rows(y=np.full(X.size, 7.0)), refused=r"\[constant\]")
case("too few points", rows(x=X[:4], y=Y[:4]), refused=r"\[too_few_points\]")
case(
    "background nodes",
    rows(
        "{x:.5f} {y:.1f}",
        x=np.cumsum(0.5 + 1.5 * np.abs(np.sin(np.arange(60)))),
        y=np.linspace(9e3, 2e3, 60),
    ),
    refused=r"\[sparse_nodes\]",
)
case(
    "background by name", "! position background_value\n" + rows(), refused=r"\[background_values\]"
)
case(
    "table of peaks",
    "Peak Name,Peak Center (Theta),FWHM (deg),Net Height,Net Area (cts deg)\n"
    + "".join(f"Peak {i},{i}.5,0.2,{100 * i},{20 * i}\n" for i in range(1, 9)),
    refused=r"\[results_table\]",
)
case(
    "jumping axis",
    rows(x=np.roll(X, 3)[(np.arange(X.size) * 37) % X.size]),
    refused=r"choose the columns|not_an_axis",
)
# -- no scan at all ----------------------------------------------------------------------------
case("empty", b"", refused="empty")
case("blank lines", b"\n\n  \n", refused="blank lines")
case(
    "prose",
    "This licence lets you do what you like.\nWithout warranty, 2025.\n" * 5,
    refused="no line holds two numbers",
)
case("header alone", "# 2theta counts\n# nothing\n", refused="no line holds two numbers")
case("PNG", b"\x89PNG\r\n\x1a\n" + bytes(range(256)), refused="PNG picture")
case("JPEG", b"\xff\xd8\xff\xe0" + bytes(range(256)), refused="JPEG picture")
case("ZIP", b"PK\x03\x04" + bytes(200), refused="ZIP archive")
case("gzip", b"\x1f\x8b\x08" + bytes(range(200)), refused="gzip")
case("PDF", b"%PDF-1.7\n" + bytes(range(200)), refused="PDF")
case("noise bytes", np.random.default_rng(1).bytes(4000), refused="binary")
case("XML", '<?xml version="1.0"?><scan><x>1</x></scan>', refused="mark-up")
case("HTML", "<!DOCTYPE html><html><body>20 100</body></html>", refused="mark-up")
case("one endless line", b"1 " * 40_000, refused="characters|columns|no line")
