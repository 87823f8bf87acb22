"""Drawings and long lists of a page, packed: its script puts them into their places.

Text of many figures shrinks to a third when it is deflated (RFC 1951), and browsers inflate it.
What a reader without script must have stands in the page as it is.
"""

from __future__ import annotations

import json
import zlib
from typing import Any

from markupsafe import Markup

from xrdfilm.report.pack import letters

BETWEEN = "\x1e"  # the record separator: no page shows it


class Later:
    """Fragments of a page, in the order of the places (``data-more``) that they belong into.

    ``values`` are plain values that the script wants, told before the fragments.
    """

    def __init__(self, values: dict[str, Any]) -> None:
        self._parts = [json.dumps(values, separators=(",", ":"), ensure_ascii=False)]

    def __call__(self, fragment: str) -> str:
        """Keep a fragment of markup for later; nothing stands in its place."""
        self._parts.append(str(fragment).replace(BETWEEN, ""))
        return ""

    def packed(self) -> Markup:
        """The element that carries all of it; the script must know where its bytes end."""
        text = BETWEEN.join(self._parts).encode("utf-8", "replace")
        squeezer = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
        code = squeezer.compress(text) + squeezer.flush()
        return Markup(
            f'<script type="text/plain" id="more" data-bytes="{len(code)}">{letters(code)}</script>'
        )
