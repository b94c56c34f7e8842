"""The pictures of an alternative's mist as files: the dosage map and the drift rose, each for print and for screens."""

from __future__ import annotations

from geometry.site import Site
from optimizer.appraisal.misted import MistAccount
from optimizer.design import Design
from optimizer.report.dosage import dosage_picture
from optimizer.report.drift_rose import drift_rose_picture

MIST_FILES = ("dosage.svg", "dosage.png", "drift_rose.svg", "drift_rose.png")


def mist_files(
    mist: MistAccount | None, design: Design, site: Site, title: str, subtitle: str
) -> dict[str, str | bytes]:
    """Contents of MIST_FILES; none where the drops of the nozzle are not known."""
    if mist is None:
        return {}
    dosage, rose = dosage_picture(mist, design, site, title, subtitle), drift_rose_picture(mist, title, subtitle)
    return dict(zip(MIST_FILES, (dosage.svg, dosage.png, rose.svg, rose.png), strict=True))
