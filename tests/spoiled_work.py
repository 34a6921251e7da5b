"""Spoiled outfits, operations, scenarios, tracks, tyre tables and weather."""

from spoiled_farms import OPERATIONS, OPS, OUT, Spoiling, all_of, text, write

WORK: tuple[Spoiling, ...] = (
    # outfits
    Spoiling(
        "load in kg",
        text(OUT, "empty_t = 3.1", "empty_t = 3100"),
        "vehicle 1, axle 1, empty_t",
        "out of range",
        mend="3.1 (t)",
    ),
    Spoiling(
        "negative load",
        text(OUT, "full_t = 11.2", "full_t = -11.2"),
        "vehicle 2, axle 1, full_t",
        "out of range",
        mend="minus",
    ),
    Spoiling(
        "psi for bar",
        text(OUT, "track_bar = 1.6", "track_bar = 23"),
        "track_bar",
        "out of range",
        mend="psi, write 1.59",
    ),
    Spoiling(
        "kPa for bar",
        text(OUT, "field_bar = 1.0", "field_bar = 100"),
        "field_bar",
        "out of range",
        mend="kPa, write 1",
    ),
    Spoiling(
        "absurd width",
        text(OUT, "width_m = 12.0", "width_m = 1200"),
        "width_m",
        "out of range",
        mend="12 (m)",
    ),
    Spoiling("NaN", text(OUT, "capacity_t = 9.0", "capacity_t = nan"), "capacity_t", "wrong kind"),
    Spoiling(
        "text for number",
        text(OUT, "width_m = 12.0", 'width_m = "12 m"'),
        "width_m",
        "wrong kind",
        mend="without quotation marks",
    ),
    Spoiling(
        "tyre code", text(OUT, '"600/65R28"', '"narrow"'), "axle front, tyre", "tyre size not understood"
    ),
    Spoiling(
        "misspelt axle key",
        text(OUT, "adjust_min", "adjust_minutes"),
        "vehicle 2, axle 1, adjust_minutes",
        "unknown key",
        mend="adjust_min",
    ),
    Spoiling(
        "no pressure",
        text(OUT, "  field_bar = 1.4\n  track_bar = 2.0\n", ""),
        "axle trailer",
        "no tyre pressure",
    ),
    Spoiling(
        "no full load", text(OUT, "  full_t = 11.2\n", ""), "axle trailer, full_t", "missing", mend="weigh"
    ),
    Spoiling(
        "axle name twice",
        text(OUT, 'name = "trailer"', 'name = "rear"'),
        "axle rear",
        "comes twice",
    ),
    Spoiling(
        "capacity and axles",
        text(OUT, "capacity_t = 9.0", "capacity_t = 20.0"),
        "capacity_t",
        "do not agree",
        found="9.00 t",
    ),
    Spoiling("nothing pulls", text(OUT, 'kind = "powered"', 'kind = "drawn"'), OUT, "no powered vehicle"),
    # operations
    Spoiling(
        "semicolons",
        write(OPS, OPERATIONS.replace(",", ";")),
        "operations.csv, row 1",
        "semicolons",
        mend="commas",
    ),
    Spoiling(
        "decimal comma",
        text(OPS, ",,0.22,", ',,"0,22",'),
        "row 3, column till_depth_m",
        "not a number",
        mend="0.22",
    ),
    Spoiling(
        "bare decimal comma",
        text(OPS, ",,0.22,", ",,0,22,"),
        "operations.csv, row 3",
        "does not fit the header",
        mend="decimal comma",
    ),
    Spoiling("unclosed quotation", text(OPS, '"top:', '"top'), "row 3", "moisture"),
    Spoiling("column missing", text(OPS, ",job,", ",work,"), OPS, "column is missing", found="and 2 more"),
    Spoiling(
        "column misspelt",
        text(OPS, ",pressure,", ",pressures,"),
        OPS,
        "looks like a known one",
        mend="rename it to pressure",
    ),
    Spoiling("column twice", text(OPS, ",rate,load,", ",rate,rate,"), OPS, "comes twice"),
    Spoiling(
        "unknown outfit",
        text(OPS, "slurry,spreader", "slurry,spredder"),
        "row 2, column outfit",
        "unknown outfit",
        mend="write spreader",
    ),
    Spoiling(
        "unknown field",
        text(OPS, "08:00,Park", "08:00,Parc"),
        "row 2, column field",
        "unknown field",
        mend="write Park",
    ),
    Spoiling(
        "unknown gateway",
        text(OPS, "South gate", "North gate"),
        "row 2, column gateway",
        "no such gateway",
        mend="South gate",
    ),
    Spoiling(
        "unknown track",
        text(OPS, "harvest.tsv", "harvst.tsv"),
        "row 4, column drive",
        "unknown recorded track",
        mend="harvest.tsv",
    ),
    Spoiling(
        "no such day",
        text(OPS, "2026-04-10", "2026-02-30"),
        "row 3, column date",
        "does not exist",
        found="2026-02-30",
    ),
    Spoiling(
        "day written otherwise",
        text(OPS, "2026-04-10", "10.04.2026"),
        "row 3, column date",
        "not a date",
        found="10.04.2026",
    ),
    Spoiling("no such time", text(OPS, "08:00", "25:00"), "row 2, column start_time", "not a time"),
    Spoiling("id twice", text(OPS, "\n2,", "\n1,"), "row 3, column id", "comes twice"),
    Spoiling("rate without unit", text(OPS, "30 m3/ha", "30"), "row 2, column rate", "without its unit"),
    Spoiling(
        "negative rate",
        text(OPS, "30 m3/ha", "-30 m3/ha"),
        "row 2, column rate",
        "out of range",
        mend="minus",
    ),
    Spoiling(
        "volume of what",
        text(OPS, "Park,slurry,spreader,30", "Park,spread,spreader,30"),
        "row 2, column rate",
        "density",
    ),
    Spoiling(
        "psi in operations",
        text(OPS, "front:1.0", "front:15"),
        "row 3, column pressure",
        "out of range",
        mend="psi",
    ),
    Spoiling(
        "unknown axle",
        text(OPS, "front:1.0", "frunt:1.0"),
        "row 3, column pressure",
        "unknown axle",
        mend="front",
    ),
    Spoiling(
        "moisture word", text(OPS, ",moulds", ",soggy"), "row 2, column moisture", "moisture not understood"
    ),
    Spoiling(
        "NaN in operations",
        text(OPS, "0.22", "NaN"),
        "row 3, column till_depth_m",
        "not a number",
        found="NaN",
    ),
    Spoiling(
        "load far over", text(OPS, "9 t,fills", "90 t,fills"), "row 4, column load", "over the capacity"
    ),
    # scenarios
    Spoiling(
        "scenario job",
        text("scenarios.toml", '"slurry"', '"slury"'),
        "scenario lighter, change 1, jobs",
        "unknown job",
        mend="slurry",
    ),
    Spoiling(
        "scenario key",
        text("scenarios.toml", "load_factor", "load_faktor"),
        "change 1, load_faktor",
        "unknown key",
        mend="load_factor",
    ),
    Spoiling(
        "scenario axle",
        text("scenarios.toml", "trailer:", "trailor:"),
        "scenario lighter",
        "unknown axle",
        mend="trailer",
    ),
    Spoiling(
        "scenario twice",
        text(
            "scenarios.toml", "[lighter]\n", "[Lighter]\n[[Lighter.change]]\nload_factor = 0.5\n[lighter]\n"
        ),
        "scenario lighter",
        "comes twice",
    ),
    Spoiling(
        "scenario base",
        text("scenarios.toml", "lighter]\n", "base]\n"),
        "scenario base",
        "base is not for changing",
    ),
    Spoiling(
        "scenario outfit",
        text("scenarios.toml", "load_factor = 0.7", 'outfit = "big"'),
        "change 1, outfit",
        "unknown outfit",
    ),
    Spoiling(
        "scenario nothing",
        text("scenarios.toml", 'jobs = ["slurry"]', 'jobs = ["slurry"]\n  operations = ["2"]'),
        "change 1",
        "selects no operation",
    ),
    # recorded tracks, tyre tables, weather
    Spoiling(
        "track column",
        text("farm.toml", '"long"', '"longitud"'),
        "x",
        "column is missing",
        found="longitud",
        mend="long",
    ),
    Spoiling("track unit", text("farm.toml", '"lb/s"', '"lbs"'), "flow", "unknown unit"),
    Spoiling(
        "track text",
        text("tracks/harvest.tsv", "\t10.0\t", "\tmuch\t"),
        "row 2, column mass",
        "not a number",
        found="much",
    ),
    Spoiling(
        "track swapped",
        all_of(
            text("farm.toml", '"long"', '"LAT"'),
            text("farm.toml", '"lat"', '"long"'),
            text("farm.toml", '"LAT"', '"lat"'),
        ),
        "harvest.tsv",
        "swapped",
    ),
    Spoiling(
        "track elsewhere",
        text("farm.toml", "step = {", 'crs = "EPSG:3857"\nstep = {'),
        "harvest.tsv",
        "touches no field",
    ),
    Spoiling(
        "track of another make",
        lambda f: (f / "tracks/harvest.tsv").rename(f / "tracks/harvest.bin") and None,
        "harvest",
        "missing",
        problems=2,
    ),
    Spoiling(
        "track format",
        all_of(text(OPS, "harvest.tsv", "h.doc"), write("tracks/h.doc", "a letter")),
        "tracks/h.doc",
        "format that is not read",
    ),
    Spoiling(
        "tyre table order",
        text("tyre_tables.csv", "5000,40,1.6", "5000,40,1.1"),
        "row 3, column pressure_bar",
        "more load at less pressure",
    ),
    Spoiling(
        "tyre table psi",
        text("tyre_tables.csv", "40,1.6", "40,23"),
        "row 3, column pressure_bar",
        "out of range",
        mend="psi",
    ),
    Spoiling(
        "weather order", text("weather.csv", "2026-03-19", "2026-03-17"), "row 3, column date", "out of order"
    ),
    Spoiling(
        "negative rain", text("weather.csv", ",4.0,", ",-4.0,"), "row 2, column rain_mm", "out of range"
    ),
    Spoiling("no evaporation", text("weather.csv", ",1.4", ","), "row 3, column et0_mm", "no evaporation"),
)
