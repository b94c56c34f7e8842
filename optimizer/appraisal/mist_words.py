"""The account of the mist in words: the rows of its table, and the remarks on an alternative."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from optimizer.appraisal.misted import MistAccount, WindFate
from optimizer.cautions import MIST_LIMITS

Cell = Callable[[MistAccount], str]

HEADING = "Where the mist goes, shares of its volume over all winds of the misting hours"
MEANING = (
    "Mist: reckoned for level open ground, first for drops that do not evaporate; shares over the boundary hold what "
    "the model may miss. As free drops most of a fine mist turns to vapour, and what is left of the drops goes far: "
    f"the truth lies between. {MIST_LIMITS}"
)


def mist_rows() -> Sequence[tuple[str, Cell]]:
    """Name of each row, and how its cell is written."""
    return (
        ("down in the zones", lambda m: percent(m.share_in("zone"))),
        ("down elsewhere on site", lambda m: percent(m.rose.no_evaporation.down[-1])),
        ("down in keep-outs", lambda m: percent(m.share_in("keep-out"))),
        ("over the boundary, at most", lambda m: percent(m.rose.over_boundary_most)),
        ("in the worst wind, at most", lambda m: percent(m.worst.over_boundary_most)),
        ("turned to vapour, free drops", lambda m: percent(m.rose.free_drops.evaporated)),
        ("carried over, free drops", lambda m: percent(m.rose.free_drops.carried_over)),
    )


def percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def mist_remarks(account: MistAccount) -> list[str]:
    """Sentences on drops, winds and places."""
    sizes = ", ".join(f"{1e6 * size:.0f}" for size in account.dv_m)
    remarks = [
        f"mist: drops of {sizes} µm (10, 50 and 90 % of the volume below), {account.drops}, {account.spectrum_source}; "
        f"a litre makes {account.surface_m2_per_litre:.0f} m² of drop surface; most drifts in wind "
        f"{_wind_words(account.worst)}; wind is {account.wind_source}; "
        f"{percent(account.bias)} is added over the boundary for what the model may miss"
    ]
    told = [
        f"{one.name} {1e6 * one.dosage_s:.2g} mL s/m³ in the air below {account.layer_top_m:g} m, "
        f"{1e6 * one.deposit_m:.2g} mL/m² on the ground"
        for one in account.by_place
    ]
    remarks.append(f"mist of a cycle of {account.cycles}: {'; '.join(told)}")
    into = [
        f"{name.removeprefix('keep-out ')} {100.0 * account.rose.no_evaporation.into(place):.2g} %"
        for place, name in enumerate(account.places)
        if name.startswith("keep-out ")
    ]
    if into:
        remarks.append(f"of the mist about so much comes down in keep-outs: {', '.join(into)}")
    if account.assumed:
        remarks.append(f"assumed of the mist: {', '.join(account.assumed)}")
    for limit in account.limits:
        remarks.append(f"{limit.name}: at most {percent(limit.share)} of the mist, {percent(limit.most)} is allowed")
    cost = account.calm.cost
    if cost is not None:
        limits = " and ".join(f"{percent(limit.most)} {limit.name}" for limit in account.limits)
        remarks.append(
            f"the limit of drift ({limits}) costs {cost.lost_m2:.1f} weighted m² of coverage "
            f"({percent(cost.lost_share)}): a placement without it covers {cost.free_m2:.1f}"
        )
    return remarks


def _wind_words(wind: WindFate) -> str:
    return f"from {wind.from_deg or 0.0:.0f}° at {wind.speed_m_s or 0.0:g} m/s"
