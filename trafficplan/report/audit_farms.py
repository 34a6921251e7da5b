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
from trafficplan.report.audit_words import say_range
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
    "spared_expected_low_ha": "expected hectares that its changes together spare, least",
    "spared_expected_high_ha": "most",
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
            together = _together(one)
            spared = {key: together[key] if together else None for key in COLUMNS if key.startswith("spared")}
            row = {**one, **spared, "farm": name}
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
        "outfits": outfit_rows(results, units),
        "failed": sorted(failed.items()),
        "cautions": cautions_for({"map", "chance"}),
        "version": __version__,
    }
    return template_environment().from_string(packaged("audit_farms.html")).render(values)


def _row(name: str, one: Mapping[str, Any], units: str) -> dict[str, object]:
    area = float(one["area_ha"])
    share = 100 * float(one["lasting_expected_ha"]) / area if area else 0.0
    together = _together(one)
    least, most = (float(together[f"spared_expected_{end}_ha"]) if together else 0.0 for end in ("low", "high"))
    return {
        "title": one["title"],
        "link": f"{name}/report.html",
        "season": one["season"],
        "area": say("area", area, units),
        "wheeled": say("share", float(one["wheeled_pct"]), units),
        "expected": say("area", float(one["lasting_expected_ha"]), units),
        "share": f"{share:.1f}",
        "spared": say_range("area", least, most, units) if together else "",
        "failed": ", ".join(one["failed"]),
    }


def _together(one: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the changes of a farm together, or its only one."""
    return next((row for row in one["changes"] if row["rank"] == 0), None) or next(iter(one["changes"]), None)


def outfit_rows(results: Sequence[Mapping[str, Any]], units: str) -> list[dict[str, object]]:
    """Return the outfits over all farms, by the names of their files: what is expected to be gone without each."""
    sums: dict[str, list[float]] = {}
    for one in results:
        for row in one["groups"]:
            if row["left_out"] == "outfit":
                told = sums.setdefault(str(row["name"]), [0.0, 0.0, 0.0])
                for i, value in enumerate((1.0, float(row["operations"]), float(row["gone_expected_ha"]))):
                    told[i] += value
    most = max((gone for _, _, gone in sums.values()), default=0.0) or 1.0
    return [
        {
            "name": name,
            "farms": f"{farms:.0f}",
            "operations": f"{count:.0f}",
            "gone": say("area", gone, units),
            "width": round(100 * max(gone, 0.0) / most),
        }
        for name, (farms, count, gone) in sorted(sums.items(), key=lambda pair: (-pair[1][2], pair[0]))
    ]
