"""Spoiled files, settings, boundaries, access and soil."""

from spoiled_farms import (
    OPERATIONS,
    OPS,
    OUT,
    Spoiling,
    all_of,
    every,
    feature,
    layers,
    line_of_ring,
    metres,
    no_crs_shapefile,
    prop,
    remove,
    rewrite,
    second_field,
    swap,
    text,
    write,
)

VIRTUAL = (
    '<OGRVRTDataSource><OGRVRTLayer name="fields"><SrcDataSource>operations.csv</SrcDataSource>'
    "</OGRVRTLayer></OGRVRTDataSource>"
)

GROUND: tuple[Spoiling, ...] = (
    # files
    Spoiling("no farm.toml", remove("farm.toml"), "farm.toml", "file not found"),
    Spoiling(
        "no fields", remove("fields.geojson"), "fields.geojson", "file not found", mend="add fields.geojson"
    ),
    Spoiling("no soil map", remove("soil.geojson"), "soil.geojson", "file not found"),
    Spoiling("no operations", remove(OPS), OPS, "file not found"),
    Spoiling(
        "misnamed operations",
        lambda f: (f / OPS).rename(f / "operation.csv") and None,
        OPS,
        "file not found",
        mend="rename operation.csv",
    ),
    Spoiling("no outfits", remove(OUT), "outfits", "no outfits"),
    Spoiling(
        "file outside",
        text("farm.toml", "\n[tracks", '\n[files]\nweather = "../weather.csv"\n[tracks'),
        "farm.toml",
        "outside the farm",
    ),
    Spoiling(
        "network name",
        text("farm.toml", "\n[tracks", '\n[files]\nsoil = "https://a.b/soil.geojson"\n[tracks'),
        "soil",
        "outside the farm",
    ),
    Spoiling(
        "virtual file system",
        text("farm.toml", "\n[tracks", '\n[files]\nsoil = "/vsicurl/soil.geojson"\n[tracks'),
        "soil",
        "outside the farm",
    ),
    Spoiling("virtual source", write("fields.geojson", VIRTUAL), "fields.geojson", "cannot be read"),
    Spoiling(
        "link out",
        lambda f: (f / OUT).unlink() or (f / OUT).symlink_to("/etc/hostname"),
        OUT,
        "link leads out",
    ),
    Spoiling("broken JSON", write("fields.geojson", '{"type": "Feat'), "fields.geojson", "cannot be read"),
    Spoiling("empty table", write(OPS, ""), OPS, "empty"),
    Spoiling("UTF-16", write(OPS, OPERATIONS.encode("utf-16")), OPS, "UTF-8"),
    # farm.toml and other TOML
    Spoiling(
        "TOML syntax", text("farm.toml", "season = 2026", "season = "), "farm.toml, line 2", "not valid TOML"
    ),
    Spoiling(
        "TOML key twice",
        text("farm.toml", "season = 2026", "season = 2026\nseason = 2025"),
        "farm.toml, line 3",
        "twice",
    ),
    Spoiling(
        "unknown key",
        text("farm.toml", "units =", "unit ="),
        "farm.toml, unit",
        "unknown key",
        mend="write units",
    ),
    Spoiling(
        "unknown units",
        text("farm.toml", '"metric"', '"imperial"'),
        "farm.toml, units",
        "unknown word",
        found="imperial",
    ),
    Spoiling(
        "timezone",
        text("farm.toml", "Europe/Vilnius", "Europe/Vilnus"),
        "timezone",
        "time zone",
        mend="Europe/Vilnius",
    ),
    Spoiling(
        "CRS in degrees", text("farm.toml", "EPSG:32635", "EPSG:4326"), "farm.toml, crs", "not in metres"
    ),
    Spoiling(
        "CRS unknown",
        text("farm.toml", "EPSG:32635", "EPSG:99999"),
        "farm.toml, crs",
        "unknown coordinate system",
    ),
    Spoiling(
        "CRS elsewhere",
        text("farm.toml", "EPSG:32635", "EPSG:32615"),
        "fields.geojson",
        "outside the working coordinate system",
    ),
    Spoiling(
        "unknown default",
        text("farm.toml", "\n[tracks", "\n[defaults]\ngateway_radius = 3\n[tracks"),
        "defaults",
        "unknown default",
        mend="gateway_radius_m",
    ),
    Spoiling(
        "absurd default",
        text("farm.toml", "\n[tracks", "\n[defaults]\nradius_m = 300\n[tracks"),
        "defaults, radius_m",
        "out of range",
    ),
    # vector layers
    Spoiling(
        "field column",
        feature(
            "fields.geojson", 0, lambda one: one["properties"].update(fields=one["properties"].pop("field"))
        ),
        "fields.geojson",
        "column is missing",
        mend="rename fields to field",
    ),
    Spoiling(
        "misspelt column",
        feature("fields.geojson", 0, prop("headland_width", 12)),
        "fields.geojson",
        "looks like a known one",
        found="headland_width",
    ),
    Spoiling("no CRS", no_crs_shapefile, "fields.shp", "no coordinate system", mend="fields.prj"),
    Spoiling(
        "swapped everywhere",
        all_of(*(every(f"{name}.geojson", swap) for name in layers())),
        "fields.geojson",
        "swapped",
    ),
    Spoiling("swapped soil", every("soil.geojson", swap), "soil.geojson", "swapped"),
    Spoiling(
        "metres in degrees", every("fields.geojson", metres), "fields.geojson", "no degrees", found="500000"
    ),
    Spoiling(
        "line for polygon",
        feature("fields.geojson", 0, line_of_ring),
        "feature 1 (Park)",
        "line where a polygon",
        mend="close the line",
    ),
    Spoiling(
        "no shape",
        feature("fields.geojson", 0, lambda one: one.update(geometry=None)),
        "feature 1 (Park)",
        "without shape",
    ),
    Spoiling(
        "text in number",
        feature("fields.geojson", 0, prop("tillage_depth_m", "deep")),
        "column tillage_depth_m",
        "not a number",
        found="deep",
    ),
    Spoiling(
        "cm for m",
        feature("fields.geojson", 0, prop("tillage_depth_m", 25)),
        "column tillage_depth_m",
        "out of range",
        mend="0.25",
    ),
    Spoiling(
        "field twice",
        all_of(second_field(120), feature("fields.geojson", 1, prop("field", "park"))),
        "feature 2 (park)",
        "comes twice",
    ),
    Spoiling(
        "field name",
        feature("fields.geojson", 0, prop("field", "../x")),
        "column field",
        "no folder can have",
    ),
    Spoiling("overlap", second_field(95), "Park and Long Acre", "overlap", found="500 m2"),
    Spoiling(
        "gateway far off",
        rewrite("access", lambda f: f.assign(geometry=f.geometry.translate(0, -40))),
        "feature 1 (Park)",
        "gateway far from",
        found="40 m",
    ),
    Spoiling(
        "gateway field",
        feature("access.geojson", 0, prop("field", "Parc")),
        "column field",
        "unknown field",
        mend="Park",
    ),
    Spoiling(
        "access kind",
        feature("access.geojson", 0, prop("kind", "gate")),
        "column kind",
        "unknown word",
        mend="gateway",
    ),
    Spoiling(
        "kind and shape",
        feature("access.geojson", 1, prop("kind", "yard")),
        "column kind",
        "a line where a polygon belongs",
    ),
    Spoiling(
        "tramline field",
        feature("tramlines.geojson", 0, prop("field", "Prk")),
        "tramlines.geojson, feature 1",
        "unknown field",
        mend="Park",
    ),
    Spoiling(
        "tramlines outside",
        rewrite("tramlines", lambda f: f.assign(geometry=f.geometry.translate(500, 0))),
        "tramlines.geojson",
        "outside its field",
        problems=4,
    ),
    # soil
    Spoiling(
        "soil elsewhere",
        rewrite("soil", lambda f: f.assign(geometry=f.geometry.translate(9000, 0))),
        "soil.geojson",
        "entirely elsewhere",
        found="8.9",
    ),
    Spoiling(
        "unit without horizons",
        text("horizons.csv", "B,0,1.0,silty clay loam,,,,3.0,\n", ""),
        "horizons.csv",
        "without horizons",
        found="B",
    ),
    Spoiling(
        "texture unknown",
        text("horizons.csv", "silty clay loam", "marl"),
        "row 4, column texture",
        "unknown word",
        found="marl",
    ),
    Spoiling(
        "texture absent",
        text("horizons.csv", "silty clay loam", ""),
        "row 4, column texture",
        "no texture",
    ),
    Spoiling(
        "horizons overlap",
        text("horizons.csv", "A,0.3,1.2", "A,0.2,1.2"),
        "row 3, column top_m",
        "overlap",
    ),
    Spoiling(
        "horizon upside down",
        text("horizons.csv", "A,0.3,1.2", "A,1.2,0.3"),
        "row 3, column bottom_m",
        "ends where it begins",
    ),
    Spoiling(
        "depth in cm",
        text("horizons.csv", "A,0.3,1.2", "A,30,120"),
        "row 3, column top_m",
        "out of range",
        mend="0.3 (m)",
        problems=2,
    ),
    Spoiling(
        "fractions",
        text("horizons.csv", "40,40,20", "0.4,0.4,0.2"),
        "row 2, column sand_pct",
        "percent",
    ),
    Spoiling(
        "density in kg/m3",
        text("horizons.csv", "1.40", "1400"),
        "row 2, column density_g_cm3",
        "out of range",
        mend="1.4",
    ),
)
