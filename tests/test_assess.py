"""Zone tables on grids that can be summed by hand."""

import math

import numpy as np
import pytest
from rasterio.transform import from_origin, rowcol
from shapely import Point, Polygon, box

from trafficplan.assess import _kernels
from trafficplan.assess.places import SIDES, sides_of, worst_places
from trafficplan.assess.stored import chance_table, chance_tables, pack, store, unpack
from trafficplan.assess.zones import percentile, steps_ha, zone_rows
from trafficplan.farm.field import Field, Gateway, SoilPatch
from trafficplan.farm.grid import Grid
from trafficplan.farm.ground import ZONE_CODES, lay_ground
from trafficplan.soil.unit import SoilDay
from trafficplan.traffic.layers import SeasonLayers

CRS = "EPSG:32635"
DEPTHS = (0.2, 0.5)


def square(side=100.0):
    gate = Gateway("north gate", "A", side / 2, side, 6.0)
    return Field("A", box(0, 0, side, side), "wheat", 0.25, 20.0, (gate,), ())


def patches(side=100.0):
    return (SoilPatch("clay", box(0, 0, side / 2, side)), SoilPatch("sand", box(side / 2, 0, side, side)))


def ground_of(field, cell=1.0):
    grid = Grid.around(field.polygon.bounds, cell, CRS, 5.0)
    return grid, lay_ground(field, patches(), grid, 20.0, 25.0, [box(40, 0, 60, 100)])


def layers_of(grid, ratio_deep=0.0, stress=0.0):
    zero16 = np.zeros(grid.shape, np.uint16)
    ratio = np.zeros((2, *grid.shape), np.float32)
    ratio[1] = ratio_deep
    return SeasonLayers(
        grid,
        DEPTHS,
        zero16.copy(),
        zero16.copy(),
        np.zeros(grid.shape, np.uint32),
        np.full((2, *grid.shape), stress, np.float32),
        ratio,
        np.zeros((2, *grid.shape), np.uint16),
        np.zeros((2, *grid.shape), np.float32),
        zero16.copy(),
        zero16.copy(),
    )


def soils():
    depths = np.array(DEPTHS)
    return tuple(
        SoilDay(depths, depths * 0 + 15e3, depths * 0 + 80e3, depths * 0 + 0.5, depths * 0 + 5) for _ in range(2)
    )


def test_zones_are_disjoint_and_sum_to_the_field():
    field = square()
    grid, ground = ground_of(field)
    areas = {name: (ground.zone == code).sum() for name, code in ZONE_CODES.items()}
    assert sum(areas.values()) == ground.inside.sum() == 10000
    # derived: the core is 60 x 60; the gateway circle of 25 m around the middle of the north edge is a half disc
    assert ground.shapes["gateway"].area == pytest.approx(math.pi * 25**2 / 2, rel=0.01)
    assert areas["gateway"] == pytest.approx(math.pi * 25**2 / 2, rel=0.02)
    assert ground.shapes["route"].area == pytest.approx(
        20 * 60 - ground.shapes["gateway"].intersection(box(40, 20, 60, 80)).area
    )
    assert not (ground.route & (ground.zone != ZONE_CODES["infield"])).any()


def test_soil_classes_follow_the_map_and_gaps_take_the_nearest():
    field = square()
    grid = Grid.around(field.polygon.bounds, 1.0, CRS, 5.0)
    hole = (SoilPatch("clay", box(0, 0, 50, 100)), SoilPatch("sand", box(60, 0, 100, 100)))
    ground = lay_ground(field, hole, grid, 20.0, 25.0, [])
    assert ground.units == ("clay", "sand")
    assert ground.gap_ha == pytest.approx(0.1)
    row = ground.soil_class[50]
    assert list(row[5 + 50 : 5 + 60]) == [0] * 5 + [1] * 5
    assert set(np.unique(ground.soil_class)) == {0, 1, 255}


def test_grid_aligns_with_rasterio():
    grid = Grid.around((3.3, 7.1, 20.2, 15.9), 0.5, CRS)
    assert grid.bounds == (3.0, 7.0, 20.5, 16.0)
    x, y = grid.centres()
    rows, cols = rowcol(from_origin(grid.west, grid.north, grid.cell, grid.cell), x[[0, -1]], y[[0, -1]])
    assert list(rows) == [0, grid.rows - 1] and list(cols) == [0, grid.cols - 1]


@pytest.mark.parametrize(
    ("kind", "value", "error"),
    [
        ("stress", 123.456, 0.01),
        ("ratio", 1.2345, 0.00025),
        ("depth_reached", 0.5678, 0.0005),
        ("lasting", 0.98765, 0.00005),
        ("lasting_difference", -0.4321, 0.00005),
    ],
)
def test_stored_values_come_back_within_half_a_step(kind, value, error):
    inside = np.array([[True, False]])
    stored = pack(kind, np.full((1, 2), value, np.float32), inside)
    back = unpack(kind, stored)
    assert back[0, 0] == pytest.approx(value, abs=error * 1.01)
    assert np.isnan(back[0, 1])


def test_stored_values_beyond_the_type_are_held_not_wrapped():
    stored = pack("ratio", np.array([[1e6, 0.0]], np.float32), np.ones((1, 2), bool))
    assert stored[0, 0] == 65534 and stored[0, 1] == 0


def test_chance_of_the_stored_ratio():
    # derived: Phi(ln(ratio) / .5) at .5, 1, 2 = .083, .5, .917
    table = chance_table(0.5)
    assert table[[1000, 2000, 4000]] == pytest.approx([0.0828, 0.5, 0.9172], abs=2e-4)
    assert table[0] == 0


def test_depth_of_the_50_kpa_line():
    # derived: ln-linear between 20 and 50 cm; 100 -> 25 kPa reaches 50 at the middle; far field falls with depth squared
    stress = np.array([[100e3, 40e3, 200e3, 0.0], [25e3, 10e3, 72e3, 60e3]], np.float32)
    found = _kernels.depth_of_stress(stress, np.array(DEPTHS), 50e3, 1.5)
    assert found == pytest.approx([0.35, 0.0, 0.5 * math.sqrt(72 / 50), 0.5 * math.sqrt(60 / 50)], abs=1e-6)


def test_percentile_is_the_nearest_rank():
    values = np.array([0, 0, 0, 5, 7, 7, 9, 11, 11, 40])
    counts = np.bincount(values, minlength=65536)
    for share in (0.1, 0.5, 0.95, 1.0):
        assert percentile(counts, share) == np.sort(values)[math.ceil(share * 10) - 1]
    assert percentile(np.zeros(65536, np.int64), 0.95) == 0


def test_zone_rows_count_unreached_cells_as_zero():
    field = square()
    grid, ground = ground_of(field)
    season = layers_of(grid)
    x, y = grid.centres()
    strip = (x[None, :] > 30) & (x[None, :] < 32) & (y[:, None] > 30) & (y[:, None] < 40)  # 2 x 10 m in-field
    season.ratio[1][strip] = 1.5
    season.stress_pa[1][strip] = 120e3
    season.passes_16[strip] = 32
    season.wheeled_mask[strip] = 0xFFFF
    season.traffic_g_m[strip] = 5_000_000  # 5 t over a metre = .005 t km per 1e-4 ha
    chances = chance_tables(soils())
    stored = store(season, ground, chances, 1)
    rows = {(r["zone"], r["depth_m"]): r for r in zone_rows("base", "A", grid, ground, stored, chances, DEPTHS, 0.25)}
    whole, core = rows["all", 0.5], rows["infield", 0.5]
    assert whole["area_ha"] == pytest.approx(1.0)
    assert whole["overstressed_ha"] == pytest.approx(20e-4)
    assert whole["wheeled_pct"] == pytest.approx(0.2)
    assert whole["passes_mean"] == pytest.approx(2 * 20 / 10000)
    assert whole["passes_max"] == 2.0
    assert whole["traffic_t_km_ha"] == pytest.approx(20 * 0.005)
    assert whole["chance_mean"] == pytest.approx(20 / 10000 * 0.79131, rel=1e-3)  # derived: Phi(ln 1.5 / .5)
    assert whole["ratio_p95"] == 0.0 and whole["layer"] == "deep" and rows["all", 0.2]["layer"] == "tilled"
    assert core["overstressed_ha"] == pytest.approx(20e-4) and rows["headland", 0.5]["overstressed_ha"] == 0
    total = sum(rows[zone, 0.5]["area_ha"] for zone in ("headland", "gateway", "infield"))
    assert total == pytest.approx(whole["area_ha"])


def test_steps_share_out_all_hectares():
    field = square()
    grid, ground = ground_of(field)
    season = layers_of(grid, ratio_deep=0.8)
    stored = store(season, ground, chance_tables(soils()), 1)
    steps = steps_ha(grid, ground, stored, DEPTHS, 0.25)
    assert steps["deep"] == pytest.approx((0, 0, 1.0, 0, 0))
    assert steps["tilled"] == pytest.approx((1.0, 0, 0, 0, 0))


def test_worst_place_is_where_the_damage_is():
    field = square()
    grid, ground = ground_of(field)
    season = layers_of(grid)
    x, y = grid.centres()
    strip = (x[None, :] > 10) & (x[None, :] < 14) & (y[:, None] > 6) & (y[:, None] < 18)
    season.ratio[1][strip] = 2.0
    season.worst[strip] = 1
    stored = store(season, ground, chance_tables(soils()), 1)

    class Job:
        job, outfit, day = "slurry", "tanker", __import__("datetime").date(2026, 4, 3)

    found = worst_places(field, grid, ground, stored, season.worst, [Job], DEPTHS, 1)
    assert len(found) == 1
    place = found[0]
    assert (place.zone, place.name) == ("headland", "headland, south-west side")
    assert place.area_m2 == pytest.approx(48) and place.depth_m == 0.5 and place.ratio == pytest.approx(2.0)
    assert Point(12, 12).distance(Point(place.x, place.y)) < 1.0
    assert "slurry with tanker on 2026-04-03" in place.reason


def test_sides_have_names_people_use():
    field = Field("A", Polygon([(0, 0), (200, 0), (200, 100), (0, 100)]), "", 0.0, None, (), ())
    grid = Grid.around(field.polygon.bounds, 1.0, CRS)
    sides = sides_of(field, grid)
    for (x, y), name in {
        (100, 50): "middle",
        (190, 50): "east side",
        (100, 98): "north side",
        (5, 5): "south-west side",
    }.items():
        assert SIDES[sides[int(100 - y), int(x)]] == name
