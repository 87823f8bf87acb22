"""A recorded run judged anew, by another limit file, without its scans."""

from __future__ import annotations

from xrdfilm.decision.limits import LimitFile, decide
from xrdfilm.decision.quantities import quantities_of
from xrdfilm.results import RunResult


def rejudged(result: RunResult, limits: LimitFile) -> RunResult:
    """The same figures under other limits; films that could not be read stay so.

    The record keeps each figure's sigma and not its sampled distribution, so a probability can
    differ a little from that of a fresh analysis where the distribution is skew.
    """
    films = []
    for film in result.films:
        if film.verdict == "unreadable":
            films.append(film)
            continue
        decision = decide(quantities_of(film), limits)
        films.append(
            film.model_copy(
                update={
                    "verdict": decision.verdict,
                    "reasons": decision.reasons,
                    "grade": decision.grade,
                }
            )
        )
    return result.model_copy(update={"films": films})
