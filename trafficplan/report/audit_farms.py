"""The page over all farms of a contractor: one row per farm, each with a way to its own report.

It is for whoever ordered the audit. A farm's own folder holds nothing of another farm.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from trafficplan import __version__
from trafficplan.report.audit_files import plain
from trafficplan.report.cautions import cautions_for
from trafficplan.report.page import packaged, template_environment
from trafficplan.report.words import say

#: Columns of farms.csv: name -> meaning.
COLUMNS: dict[str, str] = {
    "farm": "folder of the farm's result",
    "title": "name of the farm",
    "season": "season",
    "area_ha": "ground of its fields",
    "wheeled_pct": "share that at least one wheel touched",
    "lasting_likely_ha": "chance of overstress below tillage depth of at least 0.5",
    "lasting_expected_ha": "that chance times area, added up",
    "traffic_t_km": "axle load times distance",
    "drive_km": "driven",
    "time_h": "time of all drives",
}


def write_farms(
    folder: Path, results: Sequence[Mapping[str, Any]], failed: Mapping[str, str], units: str, folders: Sequence[str]
) -> None:
    """Write farms.html and farms.csv into the folder over all farms.

    Parameters
    ----------
    results : the answers of the farms (`audit_files.result_of`), and `folders` their folders in the same order
    failed : farm -> why it could not be audited
    units : in which people read the page
    """
    with (folder / "farms.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for name, one in zip(folders, results, strict=True):
            row = {**one, "farm": name}
            writer.writerow(["" if (cell := plain(key, row[key])) is None else cell for key in COLUMNS])
    (folder / "farms.html").write_text(render_farms(results, failed, units, folders), encoding="utf-8", newline="\n")


def render_farms(
    results: Sequence[Mapping[str, Any]], failed: Mapping[str, str], units: str, folders: Sequence[str]
) -> str:
    """Return the page over all farms as text."""
    rows = [_row(name, one, units) for name, one in zip(folders, results, strict=True)]
    rows.sort(key=lambda row: -float(str(row["share"])))
    area = sum(float(one["area_ha"]) for one in results)
    expected = sum(float(one["lasting_expected_ha"]) for one in results)
    values: dict[str, object] = {
        "css": Markup(packaged("page.css") + packaged("audit_page.css")),
        "headline": f"{len(results)} farms, {say('area', area, units)}: lasting damage expected on {say('area', expected, units)}",
        "rows": rows,
        "failed": sorted(failed.items()),
        "cautions": cautions_for({"map", "chance"}),
        "version": __version__,
    }
    return template_environment().from_string(packaged("audit_farms.html")).render(values)


def _row(name: str, one: Mapping[str, Any], units: str) -> dict[str, object]:
    area = float(one["area_ha"])
    share = 100 * float(one["lasting_expected_ha"]) / area if area else 0.0
    together = next((row for row in one["changes"] if row["rank"] == 0), None) or next(iter(one["changes"]), None)
    return {
        "title": one["title"],
        "link": f"{name}/report.html",
        "season": one["season"],
        "area": say("area", area, units),
        "wheeled": say("share", float(one["wheeled_pct"]), units),
        "expected": say("area", float(one["lasting_expected_ha"]), units),
        "share": f"{share:.1f}",
        "spared": say("area", float(together["spared_expected_ha"]), units) if together else "",
        "failed": ", ".join(one["failed"]),
    }
