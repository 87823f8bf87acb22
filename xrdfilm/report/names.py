"""File names from film names: safe on every file system, and one for each film."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Sequence

_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$")
LONGEST = 60


def slugs(names: Sequence[str]) -> list[str]:
    """A file name stem for each name: ASCII letters, digits, dot, dash; distinct in any case."""
    taken: set[str] = set()
    found = []
    for name in names:
        plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
        stem = re.sub(r"[^A-Za-z0-9._-]+", "-", plain).strip("-._")[:LONGEST].rstrip("-._")
        if not stem or _RESERVED.match(stem.lower().split(".")[0]):
            stem = f"film-{stem}".rstrip("-")
        if len(stem) < len(name.strip()) // 2:  # little is left of the name: tell it by its digest
            stem = f"{stem}-{hashlib.sha256(name.encode('utf-8', 'replace')).hexdigest()[:8]}"
        candidate, number = stem, 2
        while candidate.lower() in taken:
            candidate = f"{stem}-{number}"
            number += 1
        taken.add(candidate.lower())
        found.append(candidate)
    return found
