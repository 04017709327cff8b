"""The whole method in one call: a log and what ran → the cells that stand out.

Episodes → season of each component → expected counts → two groups → names. Each step is a function of its own in
`preparation`, `season` and `rates`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from inspections.recurrence import preparation, rates, season


@dataclass(frozen=True, slots=True)
class Analysis:
    """Every step's result. `seasons`: one per component. `confirmed`, `watched` (cells,) bool."""

    episodes: preparation.Episodes
    ran: preparation.Exposure
    seasons: tuple[season.Season, ...]
    expected: preparation.Expected
    groups: rates.TwoGroups
    confirmed: np.ndarray
    watched: np.ndarray

    def since(self, day: float) -> preparation.Expected:
        """Episodes and expected counts from a day on, for names that an earlier list made."""
        return preparation.between(self.episodes, self.ran, self.expected.rate, day)


def analyse(
    cell: np.ndarray,
    time: np.ndarray,
    window: np.ndarray | float,
    usage: np.ndarray,
    in_service: np.ndarray | None,
    end_of_cell: np.ndarray,
    component_of_cell: np.ndarray,
    first_day: float = 0.0,
    fdr: float = 0.10,
) -> Analysis:
    """Which cells fault more than the fleet would by chance.

    `cell` (n,), `time` (n,) days from the start of the record, `window` (n,) days or one number: the events, as for
    `preparation.episodes`. `usage`, `in_service` (ends, days): as for `preparation.exposure`. `end_of_cell`,
    `component_of_cell` (cells,). `first_day`: day of the year of day 0, 0 = 1 January. `fdr`: wanted share of
    ordinary cells among the confirmed.
    """
    happened = preparation.episodes(cell, time, window, len(end_of_cell))
    ran = preparation.exposure(usage, in_service, end_of_cell, component_of_cell)
    seasons = seasons_of(happened, ran, first_day)
    ran = replace(ran, season=_factors(seasons, ran, first_day))
    counts = preparation.expected(happened, ran)
    groups = rates.two_groups(counts.n, counts.e)
    named = rates.confirmed(groups.bad, counts.n, fdr)
    return Analysis(happened, ran, seasons, counts, groups, named, rates.watched(groups.bad, counts.n))


def seasons_of(
    happened: preparation.Episodes, ran: preparation.Exposure, first_day: float
) -> tuple[season.Season, ...]:
    """The season of each component, from its monthly episodes over its live exposure."""
    months = preparation.by_month(happened, ran)
    pairs = zip(months.count, months.exposure, strict=True)
    return tuple(season.yearly(count, exposure, first_day + months.at, ran.days) for count, exposure in pairs)


def _factors(seasons: tuple[season.Season, ...], ran: preparation.Exposure, first_day: float) -> np.ndarray:
    return np.array([season.factors(each, ran.days, first_day) for each in seasons]).reshape(len(seasons), ran.days)
