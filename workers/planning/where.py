"""Which machine's list a job joins, of those that print it as well: where it costs the lists least. Pure.

A routing ranks pairings as if every machine were idle. Of its candidates those within ``WORTH`` of the best in utility
count as good as the best (it is also the gain that pays for moving a job); among them the lists decide, by what the job
costs there in hours late, waited and set up, plus what is given up in utility.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from workers.model.routing import Candidate

# Engineering priors.
WORTH = 0.1  # utility (ln of the weighted scores: about 10 %)
UTILITY_H = 10.0  # hours late, of a job of priority 0, that one unit of utility is worth
WORTH_H = WORTH * UTILITY_H  # the same threshold in weighted hours: what a move must save
OPTIONS = 4  # machines whose lists are priced for a job


def as_good(candidates: Iterable[Candidate], can_print: Callable[[Candidate], bool]) -> list[Candidate]:
    """Of the ranked candidates the best of each machine that is as good as the best of all, the best first."""
    able = [one for one in candidates if can_print(one)]
    found: dict[str, Candidate] = {}
    for one in able:
        if able[0].utility - one.utility <= WORTH:
            found.setdefault(one.machine_id, one)
    return list(found.values())


def shortlist(options: Sequence[Candidate], busy_h: Callable[[Candidate], float]) -> list[Candidate]:
    """The best, and those of the others that are free soonest; pricing every list of a large shop is not worth it."""
    rest = sorted(options[1:], key=busy_h)[: OPTIONS - 1]
    return [one for one in options if one is options[0] or one in rest]


def cheapest(
    options: Sequence[Candidate], weight: float, rise: Callable[[Candidate], float]
) -> tuple[Candidate, float, float]:
    """The option of least cost, that cost, and the cost of the first one; weighted hours.

    rise: by how much a candidate raises the cost of its machine's list. Of equal ones the first.
    """
    costs = [rise(one) + given_up(options[0], one, weight) for one in options]
    least = min(range(len(options)), key=lambda i: (costs[i], i))
    return options[least], costs[least], costs[0]


def given_up(best: Candidate, other: Candidate, weight: float) -> float:
    """Weighted hours that the loss in utility stands for."""
    return weight * UTILITY_H * (best.utility - other.utility)
