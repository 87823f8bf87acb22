"""The numbers of a report as tables: CSV for spreadsheets, Parquet where pyarrow is there.

The table of lines is by far the longest and least opened, so its CSV stands in a zip file
(``pandas.read_csv`` and the desktops of all systems open it as it is).
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from xrdfilm.results import Line, Quantity, RunResult

if TYPE_CHECKING:
    import pandas as pd

_RECORDS = (
    "reasons",
    "phases",
    "texture.layers",
    "orientation.explanation",
    "orientation.lines_left_out",
)
_TEXTS = (".notes", ".advice")
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")


def defused(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: such texts get an apostrophe in front.

    Numbers stay numbers. The habit is that of OWASP's page on CSV injection (from memory).
    """
    if isinstance(value, str) and value.lstrip(" ").startswith(_DANGEROUS):
        return f"'{value}"
    return value


def films_frame(result: RunResult) -> pd.DataFrame:
    """One row a film, nested fields as columns with dots; lists of words as one text.

    Lists of records (reasons, phases, the working of the orientation), the causes of an
    uncertainty and the notes are in results.json, the reasons in `limits_frame` too.
    """
    frame = result.to_frame().drop(columns=list(_RECORDS))
    told = [name for name in frame.columns if ".sources" in name or name.endswith(_TEXTS)]
    frame = frame.drop(columns=told)
    for name in list(frame.columns):
        if any(isinstance(cell, list) for cell in frame[name]):
            frame[name] = frame[name].map(
                lambda cell: "; ".join(map(str, cell)) if isinstance(cell, list) else cell
            )
    return frame


def limits_frame(result: RunResult) -> pd.DataFrame:
    """One row a judged limit of each film; its sentence stands in results.json and on the sheet."""
    import pandas as pd

    rows = []
    for film in result.films:
        for reason in film.reasons:
            row: dict[str, Any] = {
                "run": result.run.id,
                "film": film.film,
                "position_m": film.position_m,
                **reason.model_dump(mode="json", exclude={"text"}),
            }
            grade = reason.limit.get("grade")
            row["limit"] = {
                **dict.fromkeys(("min", "max")),
                **reason.limit,
                "grade": "; ".join(grade) if isinstance(grade, list | tuple) else grade,
            }
            rows.append(row)
    return _table(pd.json_normalize(rows), ("run", "film", "quantity", "outcome"))


def lines_frame(result: RunResult) -> pd.DataFrame:
    """One row a fitted line of each film: figures and sigmas, their intervals are normal."""
    import pandas as pd

    rows = [
        {
            "run": result.run.id,
            "film": film.film,
            "phase": line.phase,
            "hkl": " ".join(map(str, line.hkl)),
            **_figure(line, "two_theta_deg"),
            **_figure(line, "area"),
            **_figure(line, "fwhm_deg"),
            "held_fwhm_deg": line.held_fwhm_deg,
            "significance": line.significance,
            "members": "; ".join(line.members),
            "flags": "; ".join(line.flags),
        }
        for film in result.films
        for line in film.lines
    ]
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["run", "film", "phase", "hkl"])


def _figure(line: Line, name: str) -> dict[str, float | None]:
    """Estimate and sigma of one of a line's figures, as two columns."""
    found: Quantity | None = getattr(line, name)
    return {
        f"{name}.value": None if found is None else found.estimate,
        f"{name}.sigma": None if found is None else found.sigma,
    }


def _table(frame: pd.DataFrame, least: tuple[str, ...]) -> pd.DataFrame:
    """Value, interval and sigma of every quantity; the first columns even without a row."""
    import pandas as pd

    if not len(frame):
        return pd.DataFrame(columns=list(least))
    left_out = (".sources.", ".estimate", ".level")  # they are in results.json
    return frame[[name for name in frame.columns if not any(part in name for part in left_out)]]


def csv_text(frame: pd.DataFrame) -> str:
    """The frame as CSV (RFC 4180), formulas defused, nothing for what was not measured."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([defused(str(name)) for name in frame.columns])
    missing = frame.isna()
    for row, gone in zip(
        frame.itertuples(index=False, name=None),
        missing.itertuples(index=False, name=None),
        strict=True,
    ):
        writer.writerow(
            ["" if empty else defused(cell) for cell, empty in zip(row, gone, strict=True)]
        )
    return buffer.getvalue()


TABLES = {"films": films_frame, "limits": limits_frame, "lines": lines_frame}
ZIPPED = ("lines",)


def csv_name(table: str) -> str:
    """The file that a table's CSV is written into."""
    return f"{table}.csv.zip" if table in ZIPPED else f"{table}.csv"


def csv_bytes(table: str, frame: pd.DataFrame) -> bytes:
    """What `csv_name` holds: UTF-8 with its mark, which spreadsheets look for; or the zip of it."""
    text = csv_text(frame).encode("utf-8-sig", "replace")
    if table not in ZIPPED:
        return text
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        # a fixed date: the same table gives the same bytes
        packed.writestr(zipfile.ZipInfo(f"{table}.csv", (1980, 1, 1, 0, 0, 0)), text,
                        zipfile.ZIP_DEFLATED, 9)  # fmt: skip
    return buffer.getvalue()


def csv_files(result: RunResult) -> Iterator[tuple[str, bytes]]:
    """Every table of a run as CSV: name of the file and what it holds."""
    for table, make_frame in TABLES.items():
        yield csv_name(table), csv_bytes(table, make_frame(result))


def parquet_bytes(frame: pd.DataFrame) -> bytes | None:
    """The frame as Parquet; None where pyarrow is not installed."""
    if find_spec("pyarrow") is None:
        return None
    import pyarrow.parquet

    mixed = [
        name
        for name in frame.columns
        if frame[name].dtype == object
        and len({type(cell) for cell in frame[name] if cell is not None and cell == cell}) > 1
    ]
    whole = frame.astype(dict.fromkeys(mixed, "string")) if mixed else frame
    buffer = io.BytesIO()
    table = pyarrow.Table.from_pandas(whole, preserve_index=False).replace_schema_metadata(None)
    figures = (pyarrow.types.is_floating, pyarrow.types.is_integer)
    pyarrow.parquet.write_table(
        table,
        buffer,
        compression="zstd",
        compression_level=19,
        # figures seldom repeat: a dictionary of them is longer than they are
        use_dictionary=[f.name for f in table.schema if not any(test(f.type) for test in figures)],
        write_statistics=False,  # one group of rows: nobody skips any by them
        store_schema=False,  # Parquet's own types say it all
    )
    return buffer.getvalue()
