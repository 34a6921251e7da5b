"""One invented season of Ostara Flats: what was done, and four ways in which it could have been done."""

from __future__ import annotations

import csv
import io

YEAR = 2026

COLUMNS = (
    *("id", "date", "start_time", "field", "job", "outfit", "rate", "load", "change", "drive", "gateway"),
    *("till_depth_m", "runs_at_depth_m", "moisture", "earliest", "latest", "fixed_because"),
)

#: Job -> outfit, what happens to its load.
JOBS = {
    "slurry": ("slurry", "empties"),
    "dung": ("spreader", "empties"),
    "plough": ("plough", "constant"),
    "cultivate": ("cultivator", "constant"),
    "drill": ("drill", "empties"),
    "spray": ("sprayer", "empties"),
    "harvest": ("combine", "fills"),
    "chase": ("chaser", "fills"),
}

#: Field -> the gateway that is used, where the field has two.
GATEWAYS = {
    "Road Field": "Road Field south gate",
    "Yard Field": "Yard Field top gate",
    "Oxbow": "Oxbow lane gate",
}

SPRAY = "0.2 m3/ha"
#: Beside a chaser the combine never drives to the gate: it holds some 6.5 t of its 8.5 t all day.
BESIDE_CHASER = {"load": "6.5 t", "change": "constant"}
IN_FURROW = {"till_depth_m": "0.24", "runs_at_depth_m": "0.22"}
BY_TRAMLINE = {"drive": "tramlines"}
EARLY_SPRING = {"earliest": f"{YEAR}-03-20", "latest": f"{YEAR}-04-20"}
BEFORE_DRILLING = {"earliest": f"{YEAR}-04-01", "latest": f"{YEAR}-04-16"}
IN_WHEAT = {"start_time": "07:30"} | BY_TRAMLINE | EARLY_SPRING
STORE_FULL = {"fixed_because": "store full to the brim"} | BY_TRAMLINE
RAIN_FORECAST = "rain forecast"

#: One operation: month and day, field, job, other columns.
Row = tuple[str, str, str, dict[str, str]]

#: The season. Dates follow weather.csv: spreading in the first dry days, harvest after two dry days.
SPRING: list[Row] = [
    ("03-23", "Mill Field", "slurry", {"rate": "25 m3/ha", "moisture": "top:moulds,deep:smears"} | IN_WHEAT),
    ("03-24", "Road Field", "slurry", {"rate": "25 m3/ha"} | IN_WHEAT),
    ("03-27", "Ditch Field", "slurry", {"rate": "20 m3/ha", "moisture": "smears"} | STORE_FULL),
    ("04-07", "Yard Field", "dung", {"rate": "25 t/ha", "moisture": "moulds"} | BEFORE_DRILLING),
    ("04-08", "Sand Rise", "dung", {"rate": "20 t/ha"} | BEFORE_DRILLING),
    ("04-09", "Heron Meadow", "slurry", {"rate": "20 m3/ha", "moisture": "moulds"} | EARLY_SPRING),
    ("04-16", "Yard Field", "plough", {"moisture": "moulds"} | IN_FURROW),
    ("04-17", "Sand Rise", "cultivate", {"till_depth_m": "0.18"}),
    ("04-18", "Oxbow", "cultivate", {"till_depth_m": "0.20", "moisture": "moulds"}),
    ("04-19", "Yard Field", "drill", {"rate": "0.18 t/ha", "start_time": "07:00"}),
    ("04-19", "Sand Rise", "drill", {"rate": "0.17 t/ha", "start_time": "13:30"}),
    ("04-29", "Oxbow", "drill", {"rate": "0.22 t/ha"}),
]
SUMMER: list[Row] = [
    ("05-04", "Road Field", "spray", {"rate": SPRAY} | BY_TRAMLINE),
    ("05-05", "Mill Field", "spray", {"rate": SPRAY} | BY_TRAMLINE),
    ("05-06", "Ditch Field", "spray", {"rate": SPRAY} | BY_TRAMLINE),
    ("05-23", "Birch Hill", "spray", {"rate": SPRAY} | BY_TRAMLINE),
    ("05-24", "Yard Field", "spray", {"rate": SPRAY}),
    ("06-03", "Oxbow", "spray", {"rate": SPRAY, "start_time": "08:00"}),
    ("06-03", "Sand Rise", "spray", {"rate": SPRAY, "start_time": "11:00"}),
    (
        "06-22",
        "Heron Meadow",
        "slurry",
        {"rate": "20 m3/ha", "earliest": f"{YEAR}-06-15", "latest": f"{YEAR}-07-01"},
    ),
    ("07-24", "Birch Hill", "harvest", BESIDE_CHASER),
    ("07-24", "Birch Hill", "chase", {"rate": "3.6 t/ha"}),
    ("08-04", "Road Field", "harvest", BESIDE_CHASER),
    ("08-04", "Road Field", "chase", {"rate": "7.8 t/ha"}),
    ("08-05", "Mill Field", "harvest", BESIDE_CHASER),
    ("08-05", "Mill Field", "chase", {"rate": "8.1 t/ha"}),
    (
        "08-11",
        "Ditch Field",
        "harvest",
        {"moisture": "moulds", "fixed_because": RAIN_FORECAST} | BESIDE_CHASER,
    ),
    (
        "08-11",
        "Ditch Field",
        "chase",
        {"rate": "6.9 t/ha", "moisture": "moulds", "fixed_because": RAIN_FORECAST},
    ),
    ("08-12", "Yard Field", "harvest", {"rate": "5.2 t/ha"}),
    ("08-17", "Sand Rise", "harvest", {"rate": "4.1 t/ha"}),
    ("08-22", "Oxbow", "harvest", {"rate": "3.3 t/ha"}),
]
AUTUMN: list[Row] = [
    ("08-28", "Birch Hill", "cultivate", {"till_depth_m": "0.12"}),
    ("09-04", "Road Field", "dung", {"rate": "20 t/ha", "moisture": "moulds", "latest": f"{YEAR}-09-12"}),
    ("09-08", "Road Field", "plough", IN_FURROW),
    ("09-10", "Mill Field", "cultivate", {"till_depth_m": "0.20"}),
    ("09-12", "Birch Hill", "drill", {"rate": "0.19 t/ha"}),
    ("09-19", "Road Field", "drill", {"rate": "0.19 t/ha"}),
    ("09-20", "Mill Field", "drill", {"rate": "0.19 t/ha"}),
    ("09-22", "Ditch Field", "cultivate", {"till_depth_m": "0.22", "moisture": "moulds"}),
    (
        "10-05",
        "Heron Meadow",
        "slurry",
        {"rate": "18 m3/ha", "moisture": "smears", "latest": f"{YEAR}-10-20"},
    ),
]

SCENARIOS = f"""\
[lower_pressure]
title = "Field pressures as low as the tyre tables allow, where they can be changed"

  [[lower_pressure.change]]
  outfits = ["spreader"]
  pressure = "spreader:1.6"

  [[lower_pressure.change]]
  outfits = ["slurry"]
  pressure = "tank_front:1.4;tank_rear:1.4"

[lighter_loads]
title = "Spreader, tanker and chaser only filled to 60 %"

  [[lighter_loads.change]]
  jobs = ["slurry", "dung", "chase"]
  load_factor = 0.6

[other_gates]
title = "Loads go out by the other gate where there are two"

  [[other_gates.change]]
  fields = ["Road Field"]
  gateway = "Road Field corner gate"

  [[other_gates.change]]
  fields = ["Yard Field"]
  gateway = "Yard Field low gate"

  [[other_gates.change]]
  fields = ["Oxbow"]
  gateway = "Oxbow low gate"

[wait_for_dry]
title = "Spring slurry waits for a dry week, autumn slurry comes early"

  [[wait_for_dry.change]]
  operations = ["mill-slurry", "road-slurry"]
  date = {YEAR}-04-18
  moisture = "crumbles"

  [[wait_for_dry.change]]
  operations = ["ditch-slurry"]
  date = {YEAR}-04-19
  moisture = "moulds"

  [[wait_for_dry.change]]
  operations = ["heron-slurry-3"]
  date = {YEAR}-09-21
  moisture = "moulds"
"""


def operations_csv() -> str:
    """Return operations.csv: ids are the field's first word and the job, numbered from the second time on."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    times: dict[str, int] = {}
    for day, field, job, more in (*SPRING, *SUMMER, *AUTUMN):
        key = f"{field.split()[0].lower()}-{job}"
        times[key] = times.get(key, 0) + 1
        outfit, change = JOBS[job]
        row = {
            "id": key if times[key] == 1 else f"{key}-{times[key]}",
            "date": f"{YEAR}-{day}",
            "field": field,
        }
        row |= {"job": job, "outfit": outfit, "change": change, "drive": "swaths"}
        writer.writerow(row | {"gateway": GATEWAYS.get(field, "")} | more)
    return out.getvalue()
