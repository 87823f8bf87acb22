"""The one way in which page templates are set up: escaping on, nothing undefined let through."""

from __future__ import annotations

from functools import lru_cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from xrdfilm import __version__

FIRST_LEFTWARD = "\u0590"
"""Below it are Latin, Greek and Cyrillic letters; from it on Hebrew, Arabic and what else."""


@lru_cache(maxsize=8)
def page_environment(*packages: str) -> Environment:
    """Templates of these packages, the first that has one, with the report's own beneath.

    In templates ``pc(x)`` writes a fraction as a percentage, to a tenth (half a pixel of the
    widest scale), ``leftward`` tells whether a text may have letters that run to the left, and
    ``version`` is the program's.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader(name) for name in (*packages, "xrdfilm.report")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["pc"] = lambda fraction: f"{round(100.0 * fraction, 1):g}%"
    environment.filters["leftward"] = lambda text: max(str(text), default="") >= FIRST_LEFTWARD
    environment.globals["version"] = __version__
    return environment
