"""Spoiled drives written down."""

from pathlib import Path

from spoiled_farms import CRS, EAST, NORTH, OPS, Spoiling, all_of, text, write

PLAN = f"""# A drive written down.
# crs: {CRS}
# width_m: 12.000
# trips: 1
# worked_m2: 1200.000
# unworked_m2: 8800.000
x_m,y_m,time_s,load_kg,leg,furrow
{EAST + 50:.3f},{NORTH + 2:.3f},0.000,3600.000,entry,none
{EAST + 50:.3f},{NORTH + 10:.3f},4.000,3600.000,work,none
{EAST + 50:.3f},{NORTH + 90:.3f},40.000,0.000,exit,none
{EAST + 50:.3f},{NORTH + 2:.3f},80.000,0.000,road,none
"""


def planned(old: str = "", new: str = ""):
    """Let operation 1 follow a plan, in which one text is replaced."""

    def spoil(folder: Path) -> None:
        assert old in PLAN, old
        (folder / "plans").mkdir()
        (folder / "plans/south.csv").write_text(PLAN.replace(old, new, 1) if old else PLAN)
        text(OPS, "tramlines", "plan:south")(folder)

    return spoil


_ROWS = PLAN.split("furrow\n")[1]

PLANS: tuple[Spoiling, ...] = (
    Spoiling("plan missing", text(OPS, "tramlines", "plan:north"), "column drive", "a plan that is not there"),
    Spoiling(
        "plan misspelt",
        all_of(planned(), text(OPS, "plan:south", "plan:suoth")),
        "column drive",
        "a plan that is not there",
        found="south",
        mend="write south",
    ),
    Spoiling(
        "plan: wrong column", planned("load_kg", "load_t"), "plans/south.csv", "column is missing", mend="load_kg"
    ),
    Spoiling(
        "plan: another CRS",
        planned(CRS, "EPSG:32634"),
        "plans/south.csv, comment crs",
        "another coordinate system",
        found="EPSG:32634",
    ),
    Spoiling(
        "plan: no header", planned(f"# crs: {CRS}\n", ""), "comment crs", "another coordinate system", found="nothing"
    ),
    Spoiling("plan: no width", planned("# width_m: 12.000\n", ""), "comment width_m", "header does not say it"),
    Spoiling(
        "plan: not finite", planned(f"{NORTH + 90:.3f}", "nan"), "row 10, column y_m", "not a number", found="nan"
    ),
    Spoiling(
        "plan: no number", planned("40.000,0.000", "40.000,"), "row 10, column load_kg", "not a number", found="nothing"
    ),
    Spoiling("plan: a load below 0", planned("40.000,0.000", "40.000,-1"), "row 10, column load_kg", "not a number"),
    Spoiling(
        "plan: unknown leg",
        planned(",work,", ",wrok,"),
        "row 9, column leg",
        "unknown leg",
        found="wrok",
        mend="write work",
    ),
    Spoiling("plan: unknown furrow", planned("exit,none", "exit,both"), "row 10, column furrow", "unknown furrow"),
    Spoiling("plan: no row", planned(_ROWS, ""), "plans/south.csv", "not a drive", found="0 rows"),
    Spoiling("plan: a ragged row", planned(",work,none", ",work"), "row 9", "does not fit the header"),
    Spoiling(
        "plan: time runs back",
        planned("80.000,0.000,road", "8.000,0.000,road"),
        "row 11, column time_s",
        "time runs back",
    ),
    Spoiling(
        "plan: beside the field",
        planned(_ROWS, _ROWS.replace(f"{EAST + 50:.3f}", f"{EAST + 950:.3f}")),
        "plans/south.csv",
        "beside the field",
    ),
    Spoiling(
        "plan: not text", all_of(planned(), write("plans/south.csv", b"\0" * 9)), "plans/south.csv", "not a text file"
    ),
)
