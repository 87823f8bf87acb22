"""Pictures of films on disk: arrays in NumPy's own archive, the words beside them as JSON.

Nothing in such a file is code: it is read without unpickling.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.picture import FilmPicture, GhostMark, SideScan, TickRow, Zone

_ARRAYS = ("two_theta_deg", "counts", "fitted", "background", "sigma")


def pack_pictures(pictures: Mapping[str, FilmPicture]) -> bytes:
    """Pictures by film name as the bytes of one file."""
    arrays: dict[str, FloatArray] = {}
    words: dict[str, Any] = {}

    def put(values: FloatArray | None) -> str | None:
        if values is None:
            return None
        key = f"a{len(arrays)}"
        arrays[key] = values
        return key

    for name, picture in pictures.items():
        words[name] = {
            **{part: put(getattr(picture, part)) for part in _ARRAYS},
            "ticks": [
                [row.phase, put(row.two_theta_deg), row.labels, row.role] for row in picture.ticks
            ],
            "ghosts": [[mark.two_theta_deg, mark.cause] for mark in picture.ghosts],
            "hidden": [[zone.low_deg, zone.high_deg, zone.why] for zone in picture.hidden],
            "windows": [[zone.low_deg, zone.high_deg, zone.why] for zone in picture.windows],
            "side_scans": [
                [side.kind, side.title, put(side.axis_deg), put(side.counts), put(side.fitted),
                 side.axis_label]
                for side in picture.side_scans
            ],
        }  # fmt: skip
    text = np.frombuffer(json.dumps(words).encode(), dtype=np.uint8)
    file = io.BytesIO()
    np.savez(file, words=text, **arrays)  # type: ignore[arg-type]
    return file.getvalue()


def unpack_pictures(data: bytes) -> dict[str, FilmPicture]:
    """The pictures of `pack_pictures`; ValueError, KeyError or OSError for other bytes."""
    with np.load(io.BytesIO(data), allow_pickle=False) as archive:
        arrays = {key: archive[key] for key in archive.files}
    words = json.loads(arrays["words"].tobytes())

    def get(key: str | None) -> Any:
        return None if key is None else arrays[key]

    return {
        name: FilmPicture(
            **{part: get(told[part]) for part in _ARRAYS},
            ticks=tuple(
                TickRow(phase, get(at), tuple(labels), role)
                for phase, at, labels, role in told["ticks"]
            ),
            ghosts=tuple(GhostMark(*mark) for mark in told["ghosts"]),
            hidden=tuple(Zone(*zone) for zone in told["hidden"]),
            windows=tuple(Zone(*zone) for zone in told["windows"]),
            side_scans=tuple(
                SideScan(kind, title, get(axis), get(counts), get(fitted), label)
                for kind, title, axis, counts, fitted, label in told["side_scans"]
            ),
        )
        for name, told in words.items()
    }
