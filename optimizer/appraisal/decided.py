"""What decides between alternatives: where their costs differ, and what the dearer ones cover more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.costs import CostLine

ALIKE = 0.01  # share of the most weighted area by which alternatives cover as much
MAIN_SHARE = 0.5  # of a difference, from which one part of the cost decides it
LEAST_SHOWN = 0.5  # of money, and of m²


@dataclass(frozen=True)
class Contender:
    """A verified alternative: the weighted m² that it covers, and the costs that its option reckons with."""

    option: str
    weighted_m2: float
    costs: tuple[CostLine, ...]

    @property
    def cost(self) -> float:
        """Sum of the costs."""
        return sum(line.amount for line in self.costs)

    @property
    def parts(self) -> dict[str, float]:
        """Cost of each group of the bill."""
        parts: dict[str, float] = {}
        for line in self.costs:
            parts[line.group] = parts.get(line.group, 0.0) + line.amount
        return parts


@dataclass(frozen=True)
class Difference:
    """An alternative beside the one that is compared with: how much more it covers and costs (below 0: less).

    parts: the difference in cost by group of the bill, largest first; decided: the groups that make up most of it;
    cost_per_m2: what each weighted m² between them costs, None where they cover alike or the one that covers more is
    no dearer.
    """

    option: str
    weighted_m2: float
    cost: float
    parts: Mapping[str, float]
    decided: tuple[str, ...]
    cost_per_m2: float | None


@dataclass(frozen=True)
class Decision:
    """The cheapest of those that cover the most, within 1 %, and how each other differs from it, in a statement too."""

    best: str
    differences: tuple[Difference, ...]
    statement: str


def decision(contenders: Sequence[Contender], currency: str) -> Decision | None:
    """What decides between verified alternatives; None where there are not two."""
    if len(contenders) < 2:
        return None
    most = max(one.weighted_m2 for one in contenders)
    full = [one for one in contenders if one.weighted_m2 >= (1.0 - ALIKE) * most]
    best = min(full, key=lambda one: (one.cost, -one.weighted_m2))
    others = [_difference(one, best, most) for one in contenders if one is not best]
    if len(full) == 1:
        first = f"{best.option} covers the most, for {best.cost:,.0f} {currency}."
    else:
        alike = f"Of the {len(full)} that cover the most within 1 %"
        first = f"{alike}, {best.option} costs least, {best.cost:,.0f} {currency}."
    return Decision(best.option, tuple(others), " ".join([first, *(_words(one, currency) for one in others)]))


def _difference(one: Contender, best: Contender, most: float) -> Difference:
    groups = dict.fromkeys([*best.parts, *one.parts])
    parts = {group: one.parts.get(group, 0.0) - best.parts.get(group, 0.0) for group in groups}
    cost, area = one.cost - best.cost, one.weighted_m2 - best.weighted_m2
    traded = abs(area) > ALIKE * most and cost * area > 0.0
    return Difference(
        option=one.option,
        weighted_m2=area,
        cost=cost,
        parts=dict(sorted(parts.items(), key=lambda part: -abs(part[1]))),
        decided=_deciding(parts, cost),
        cost_per_m2=cost / area if traded else None,
    )


def _deciding(parts: Mapping[str, float], cost: float) -> tuple[str, ...]:
    """The largest parts with the sign of the difference that together make up half of it or more, as few as do."""
    along = sorted((part * (1 if cost > 0 else -1), group) for group, part in parts.items())
    found: list[str] = []
    summed = 0.0
    for part, group in reversed(along):
        if part <= 0.0 or summed >= MAIN_SHARE * abs(cost):
            break
        found.append(group)
        summed += part
    return tuple(found)


def _words(one: Difference, currency: str) -> str:
    if abs(one.cost) < LEAST_SHOWN:
        money = "costs the same"
    else:
        money = f"costs {abs(one.cost):,.0f} {currency} {'more' if one.cost > 0 else 'less'}"
    area = "covers as much"
    if abs(one.weighted_m2) >= LEAST_SHOWN:
        area = f"covers {abs(one.weighted_m2):,.0f} weighted m² {'more' if one.weighted_m2 > 0 else 'less'}"
    split = ", ".join(f"{group} {part:+,.0f}" for group, part in one.parts.items() if abs(part) >= LEAST_SHOWN)
    words = f"{one.option} {money} and {area}"
    if one.decided and split:
        words += f"; {' and '.join(one.decided)} decide{'s' if len(one.decided) == 1 else ''} ({split})"
    if one.cost_per_m2 is not None:
        words += f"; {one.cost_per_m2:,.1f} {currency} for each weighted m² between them"
    return f"{words}."
