"""From X-ray diffraction scans of solution-deposited superconducting films to decisions.

The names below are the front door: ``from xrdfilm import read_scan``. Each is loaded from its
module when it is first asked for, so that importing the package costs nothing.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as typing's own, whose import would slow the command line's start
if TYPE_CHECKING:
    from xrdfilm.analysis.film import FilmInput as FilmInput
    from xrdfilm.analysis.film import analyse_films as analyse_films
    from xrdfilm.analysis.premises import premises_of as premises_of
    from xrdfilm.analysis.record import film_record as film_record
    from xrdfilm.crystal import line_list as line_list
    from xrdfilm.crystal import load_phase as load_phase
    from xrdfilm.crystal import phase_from_cif as phase_from_cif
    from xrdfilm.decision.limits import read_limit_file as read_limit_file
    from xrdfilm.errors import XrdfilmError as XrdfilmError
    from xrdfilm.estimate import Estimate as Estimate
    from xrdfilm.history import open_history as open_history
    from xrdfilm.intensity.optics import Optics as Optics
    from xrdfilm.intensity.stack import Layer as Layer
    from xrdfilm.intensity.stack import Stack as Stack
    from xrdfilm.readers import read_scan as read_scan
    from xrdfilm.report.write import write_report as write_report
    from xrdfilm.results import RunResult as RunResult
    from xrdfilm.results import read_results as read_results
    from xrdfilm.runfile import read_run_file as read_run_file
    from xrdfilm.runs.gather import gather_runs as gather_runs
    from xrdfilm.runs.judge import judge_run as judge_run
    from xrdfilm.scan import Scan as Scan
    from xrdfilm.simulate import SimulatedFilm as SimulatedFilm
    from xrdfilm.simulate import simulate_scan as simulate_scan
    from xrdfilm.simulate.files import write_scan as write_scan
    from xrdfilm.trend.analyse import trend_of as trend_of

__version__ = "0.1.0"

_HOMES = {
    "read_scan": "readers",
    "Scan": "scan",
    "gather_runs": "runs.gather",
    "judge_run": "runs.judge",
    "write_report": "report.write",
    "read_results": "results",
    "RunResult": "results",
    "read_run_file": "runfile",
    "premises_of": "analysis.premises",
    "FilmInput": "analysis.film",
    "analyse_films": "analysis.film",
    "film_record": "analysis.record",
    "Estimate": "estimate",
    "read_limit_file": "decision.limits",
    "load_phase": "crystal",
    "phase_from_cif": "crystal",
    "line_list": "crystal",
    "Optics": "intensity.optics",
    "Layer": "intensity.stack",
    "Stack": "intensity.stack",
    "open_history": "history",
    "trend_of": "trend.analyse",
    "SimulatedFilm": "simulate",
    "simulate_scan": "simulate",
    "write_scan": "simulate.files",
    "XrdfilmError": "errors",
}

__all__ = ["__version__", *_HOMES]

if not TYPE_CHECKING:  # so that a type checker refuses names that are not there

    def __getattr__(name: str) -> object:
        """A name of the front door, from its module; raises AttributeError for any other."""
        if name not in _HOMES:
            raise AttributeError(f"module 'xrdfilm' has no attribute {name!r}")
        from importlib import import_module

        found = getattr(import_module(f"xrdfilm.{_HOMES[name]}"), name)
        globals()[name] = found
        return found

    def __dir__() -> list[str]:
        return sorted({*globals(), *_HOMES})
