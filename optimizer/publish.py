"""Write a study into a folder, for command line and service alike: study.json, and per option its design's
files.

All texts are made before the first file is touched, and each file is written whole or not at all. Files
that an earlier study left in option folders of this study, or in folders that its study.json names, are
taken away.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from geometry.drawing_shapes import covered_region
from geometry.geojson import collection, feature, geometry_of
from geometry.site import Site
from optimizer.appraisal.explain import Explanation
from optimizer.appraisal.misted import mist_figures
from optimizer.appraisal.running import NOT_RUNNING
from optimizer.bid.quantities import quantities_csv
from optimizer.bid.schedule import schedule_csv
from optimizer.cautions import CAUTIONS
from optimizer.design import Design, design_text
from optimizer.errors import InputFault
from optimizer.report.dosage_files import MIST_FILES, mist_files
from optimizer.report.engine import engine_file, engine_files
from optimizer.report.frontier import drift_svg, frontier_svg
from optimizer.report.plan import plan_svg
from optimizer.report.routes import Points, laid, link_paths, path_length, valve_boxes
from optimizer.report.start_up_table import start_up_csv
from optimizer.report.tolerance import tolerance_svg
from optimizer.scenario import Scenario
from optimizer.study import Alternative, Study
from optimizer.yields import FieldYield

SCHEMA_VERSION = 1
STUDY_FILE = "study.json"
FRONTIER_FILE, DRIFT_FILE = "frontier.svg", "drift.svg"
OPTION_FILES = (
    "design.json", "design.geojson", "plan.svg", "quantities.csv", "service.csv", "schedule.csv", "start_up.csv",
    "tolerance.svg", *MIST_FILES,
)  # fmt: skip
_NUMBERED = ("frontier_*.json", engine_file("*"))  # files of which an option has several
_PUMP_KEYS = ("id", "type", "site", "set_pressure_pa", "capacity_m3_s", "circuits")
_LINK_KEYS = ("id", "circuit", "run", "tubing", "bore_m", "length_m", "reducer_pa", "shared")
_NOZZLE_KEYS = (
    "id",
    "circuit",
    "run",
    "line",
    "chainage_m",
    "height_m",
    "azimuth_deg",
    "tilt_deg",
    "pressure_pa",
    "flow_m3_s",
)
_FIGURES = (
    "option",
    "title",
    "status",
    "reason",
    "pump_count",
    "circuit_count",
    "pump_types",
    "pump_sites",
    "nozzle_count",
    "covered_area_m2",
    "zone_area_m2",
    "coverable_area_m2",
    "model_covered_area_m2",
    "objective",
    "objective_value",
    "objective_bound",
    "gap",
    "gap_at_count",
    "cost_bound",
    "cost_bound_class",
    "cost_gap",
    "cost_gap_tubing",
    "joint_bound",
    "joint_gap",
    "installed_cost",
    "service_cost",
    "litres_a_day",
    "days_between_refills",
    "tubing_m",
    "min_pressure_pa",
    "max_pressure_pa",
    "flow_m3_s",
    "reserve",
    "verified",
    "time_limit_hit",
    "rounds",
    "notes",
)


def publish(study: Study, scenario: Scenario, folder: Path) -> None:
    """Write study.json, and for each alternative with a design a folder named after its option.

    Only a verified alternative gets its quantities and its service: what is not proven is no basis for a bid.

    Raises OSError when the folder cannot be written.
    """
    texts = {
        alternative.option: _option_texts(alternative, alternative.design, study, scenario.site)
        for alternative in study.alternatives
        if alternative.design is not None
    }
    folder.mkdir(parents=True, exist_ok=True)
    for option in _folders_before(folder) | {alternative.option for alternative in study.alternatives}:
        numbered = {path.name for kind in _NUMBERED for path in (folder / option).glob(kind)}
        _take_away(folder / option, ({*OPTION_FILES, *numbered}) - set(texts.get(option, ())))
    for option, files in texts.items():
        (folder / option).mkdir(exist_ok=True)
        for name, content in files.items():
            _write(folder / option / name, content)
    for name, chart in ((FRONTIER_FILE, frontier_svg(study)), (DRIFT_FILE, drift_svg(study))):
        if chart is None:
            (folder / name).unlink(missing_ok=True)
        else:
            _write(folder / name, chart)
    _write(folder / STUDY_FILE, study_text(study))


def out_faults(folder: Path) -> tuple[InputFault, ...]:
    """Why a study may not be written into a folder: no folder, not ours to write, or full of something
    else."""
    mend = "name a new or empty folder, or one that holds an earlier study"
    if folder.exists() and not folder.is_dir():
        return (InputFault("--out", "", str(folder), "is not a folder", mend),)
    if folder.is_dir() and any(folder.iterdir()) and not (folder / STUDY_FILE).is_file():
        return (InputFault("--out", "", str(folder), f"holds other files and no {STUDY_FILE}", mend),)
    held = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not os.access(held, os.W_OK | os.X_OK) or not held.is_dir():
        return (InputFault("--out", "", str(folder), f"cannot be written, {held} does not let it", mend),)
    return ()


def study_text(study: Study) -> str:
    """The text of study.json; figures that are missing are null, seconds are rounded to milliseconds."""
    data = {
        "schema_version": SCHEMA_VERSION,
        "scenario": study.scenario,
        "title": study.title,
        "currency": study.currency,
        "seed": study.seed,
        "cautions": CAUTIONS,
        "alternatives": [_figures(alternative) for alternative in study.alternatives],
        "decided": None if study.decision is None else asdict(study.decision),
        "reach_ranking": None if study.ranking is None else asdict(study.ranking),
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _figures(alternative: Alternative) -> dict[str, Any]:
    return {
        **{name: getattr(alternative, name) for name in _FIGURES},
        "seconds": {stage: round(seconds, 3) for stage, seconds in alternative.seconds.items()},
        "timetable": None if alternative.operation is None else asdict(alternative.operation),
        "protection": [row.record() for row in alternative.protection],
        "appraisal": None if alternative.appraisal is None else asdict(alternative.appraisal),
        **_explained(alternative.explanation),
        **(alternative.running.figures() if alternative.running else dict.fromkeys(NOT_RUNNING)),
        "mist": None if alternative.mist is None else mist_figures(alternative.mist),
        "yield": _yield(alternative.option, alternative.field_yield),
        "frontier": _frontier(alternative),
        "network_files": _network_files(alternative.design),
        "mist_files": list(MIST_FILES if alternative.mist is not None else ()),
        "folder": alternative.option if alternative.design is not None else None,
    }


def _explained(explanation: Explanation | None) -> dict[str, Any]:
    if explanation is None:
        return {"by_hand": None, "binding": None, "marginals": None}
    return {
        "by_hand": asdict(explanation.by_hand),
        "binding": [{**asdict(slack), "binds": slack.binds} for slack in explanation.slacks],
        "marginals": [asdict(marginal) for marginal in explanation.marginals],
    }


def _yield(option: str, found: FieldYield | None) -> dict[str, Any] | None:
    """How an alternative holds on site, and where its tornado is drawn; null where nobody asks."""
    if found is None:
        return None
    bars = [{**asdict(bar), "swing_pa": bar.swing_pa} for bar in found.tornado]
    return {**asdict(found), "holds": found.holds, "tornado": bars, "chart": f"{option}/tolerance.svg"}


def _frontier(alternative: Alternative) -> list[dict[str, Any]]:
    """The points of an alternative's frontier, each with the file of its design."""
    return [
        {
            **{field.name: getattr(point, field.name) for field in fields(point) if field.name != "design"},
            "file": f"{alternative.option}/{_point_file(number)}",
        }
        for number, point in enumerate(alternative.frontier, start=1)
    ]


def _network_files(design: Design | None) -> list[str]:
    return [engine_file(circuit) for pump in design.pumps for circuit in pump.circuits] if design else []


def _point_file(number: int) -> str:
    return f"frontier_{number}.json"


def _option_texts(alternative: Alternative, design: Design, study: Study, site: Site) -> dict[str, str | bytes]:
    texts: dict[str, str | bytes] = {
        "design.json": design_text(design),
        "design.geojson": json.dumps(design_features(design, site), ensure_ascii=False, allow_nan=False) + "\n",
        "plan.svg": plan_svg(design, site, study.title, alternative.title),
        **mist_files(alternative.mist, design, site, study.title, alternative.title),
        **engine_files(design),
        **{_point_file(n): design_text(p.design) for n, p in enumerate(alternative.frontier, start=1)},
    }
    if alternative.verified:
        texts["quantities.csv"] = quantities_csv(alternative.quantities, study.currency)
    if alternative.verified and alternative.upkeep is not None:
        texts["service.csv"] = quantities_csv(alternative.upkeep.lines, study.currency)
    if alternative.verified and alternative.operation is not None:
        texts["schedule.csv"] = schedule_csv(alternative.operation, alternative.protection)
    if alternative.verified and alternative.running is not None and alternative.running.starts:
        texts["start_up.csv"] = start_up_csv(alternative.running.starts)
    if alternative.field_yield is not None:
        texts["tolerance.svg"] = tolerance_svg(alternative.field_yield, f"{study.title}: {alternative.title}")
    return texts


def design_features(design: Design, site: Site) -> dict[str, Any]:
    """The design as a GeoJSON FeatureCollection in the site's own frame; `kind` tells the features apart.

    kind: pump, tubing, valve_box, nozzle, footprint, covered_area. Tubing runs straight from node to node; `shared` of
    a main names the circuits that it feeds.
    """
    return {**collection(site.frame, _features(design)), "cautions": CAUTIONS}


def _features(design: Design) -> Iterator[dict[str, Any]]:
    place = {node.id: (node.x_m, node.y_m) for node in design.nodes}
    for pump in design.pumps:
        yield _point(place[pump.node], "pump", _picked(pump, _PUMP_KEYS))
    links = laid(design)
    for link, path in zip(links, link_paths(links, design.nodes), strict=True):
        yield feature(geometry_of(_path(path)), {"kind": "tubing", **_picked(link, _LINK_KEYS)})
    for node, main in valve_boxes(design).items():
        yield _point(place[node], "valve_box", {"node": node, "run": main})
    for nozzle in design.nozzles:
        yield _point(place[nozzle.node], "nozzle", _picked(nozzle, _NOZZLE_KEYS))
        yield feature(geometry_of(nozzle.footprint), {"kind": "footprint", "nozzle": nozzle.id})
    zones = (zone.polygon for zone in design.zones)
    covered = covered_region((nozzle.footprint for nozzle in design.nozzles), zones)
    area = {"kind": "covered_area", "area_m2": design.verification.covered_area_m2}
    yield feature(geometry_of(covered), area)


def _point(place: tuple[float, float], kind: str, properties: Mapping[str, Any]) -> dict[str, Any]:
    return feature(geometry_of({"type": "Point", "coordinates": place}), {"kind": kind, **properties})


def _path(points: Points) -> dict[str, Any]:
    """A line, or a point where a tube only rises or drops."""
    if path_length(points) > 0:
        return {"type": "LineString", "coordinates": points.tolist()}
    return {"type": "Point", "coordinates": points[0].tolist()}


def _picked(item: object, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: getattr(item, key) for key in keys}


def _folders_before(folder: Path) -> set[str]:
    """Option folders that the study.json in place names; none where it cannot be read."""
    try:
        before = json.loads((folder / STUDY_FILE).read_text(encoding="utf-8"))
        names = {alternative["folder"] for alternative in before["alternatives"]}
    except (OSError, ValueError, LookupError, TypeError):
        return set()
    return {name for name in names if isinstance(name, str) and name == Path(name).name and name not in ("", "..")}


def _take_away(folder: Path, names: Iterable[str]) -> None:
    """Remove files that an earlier study wrote into an option's folder, and the folder if nothing else is in it."""
    for name in names:
        (folder / name).unlink(missing_ok=True)
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


def _write(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all: into a file beside it, which then takes its place."""
    handle, beside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode() if isinstance(content, str) else content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, 0o666 & ~_umask())
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _umask() -> int:
    """The process's mask of file permissions, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
