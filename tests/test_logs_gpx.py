"""GPX and tables: fixes, speed, tracks, damage; the same drive in four formats gives the same layers."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from log_writers import START_S, TLG_HEADER, csv, drive, gpx, nmea, place, stamp, taskdata, use
from pyproj import Transformer
from spoiled_farms import CRS, EAST, NORTH, write_good
from typer.testing import CliRunner

from trafficplan.chain import Plan, prepare
from trafficplan.cli.main import app
from trafficplan.errors import InputError
from trafficplan.farm.operation import Log
from trafficplan.inputs.farm import read_farm
from trafficplan.inputs.gpx import read_gpx
from trafficplan.inputs.overview import understood
from trafficplan.traffic.season import run_season


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_good(tmp_path / "farm")


def only_log(folder: Path) -> Log:
    (log,) = read_farm(folder).logs.values()
    return log


def said(log: Log) -> str:
    return "\n".join(f"{note.kind} {note.what}: {note.value}: {note.why}" for note in log.notes)


def test_gpx_has_places_times_and_the_speed_of_an_extension(folder: Path) -> None:
    log = only_log(use(folder, "day.gpx", gpx(drive())))
    assert len(log.x) == log.rows == 46
    # a fix is rounded to 1e-7 degrees: 11 mm
    assert (log.x[0], log.y[0]) == pytest.approx((EAST + 30, NORTH + 5), abs=0.012)
    assert log.time_s.tolist() == [START_S + 2 * i for i in range(46)]
    assert log.speed_m_s is not None and log.speed_m_s.tolist() == [2.0] * 46


def test_same_drive_in_four_formats_gives_the_same_layers(tmp_path: Path) -> None:
    log = drive()
    results = {}
    for name in ("day.csv", "day.gpx", "day.nmea", "TASKDATA"):
        farm = write_good(tmp_path / name / "farm")
        if name == "TASKDATA":
            # the terminal's clock runs in the farm's time: Vilnius, UTC + 3 h in summer; only a width is recorded, that
            # of the outfit: a state of work would tell more than the other formats do
            header = TLG_HEADER.replace('<DLV A="008D" B="" C="DET-1"/>', "")
            values = [[(0, 12_000)]] + [[]] * 45
            taskdata(farm / "tracks" / name, log.later(3 * 3600), header=header, values=values)
            use(farm, name)
        else:
            use(farm, name, {"day.csv": csv, "day.gpx": gpx, "day.nmea": nmea}[name](log))
        read = read_farm(farm)
        laid = prepare(read, read.scenarios["base"], read.fields["Park"], Plan(cell=0.5, first=dt.date(2026, 9, 1)))
        layers = run_season(laid.grid, laid.ground.soil_class, laid.depths_m, laid.deep_from_m, laid.events)
        results[name] = (read.logs[name], layers)
    first, layers = results["day.csv"]
    for name, (other, same) in results.items():
        assert np.abs(other.x - first.x).max() < 1e-5 and np.abs(other.y - first.y).max() < 1e-5, name
        assert np.abs(other.time_s - first.time_s).max() < 1e-3, name
        assert np.array_equal(layers.traffic_g_m > 0, same.traffic_g_m > 0), name
        assert np.allclose(layers.traffic_g_m, same.traffic_g_m, rtol=1e-4, atol=10), name
    for name in ("day.gpx", "TASKDATA"):
        assert np.array_equal(layers.traffic_g_m, results[name][1].traffic_g_m), name


def test_tracks_one_after_the_other_are_one_log_and_at_the_same_time_two_machines(folder: Path) -> None:
    log = drive()
    first, second = gpx(log.part(slice(0, 23))), gpx(log.part(slice(23, 46)))
    second = second.replace(b"<name>day</name>", b"<name>later</name>")
    track = second[second.index(b"<trk>") : second.index(b"</gpx>")]
    use(folder, "day.gpx", first.replace(b"</gpx>", track + b"</gpx>"))
    assert len(only_log(folder).x) == 46
    (folder / "tracks" / "day.gpx").write_bytes(
        gpx(log).replace(b"</gpx>", gpx(log)[gpx(log).index(b"<trk>") :].replace(b">day<", b">second<"))
    )
    with pytest.raises(InputError, match="several machines") as caught:
        read_farm(folder)
    assert "day.gpx/day" in str(caught.value) and "day.gpx/second" in str(caught.value)
    ops = folder / "operations.csv"
    ops.write_text(ops.read_text().replace("day.gpx", "day.gpx/second"))
    assert list(read_farm(folder).logs) == ["day.gpx/second"]


def test_heights_are_left_out_and_that_is_told(folder: Path) -> None:
    assert "heights" not in said(only_log(use(folder, "day.gpx", gpx(drive()))))
    text = gpx(drive()).replace(b"<time>", b"<ele>95.5</ele><time>")
    (folder / "tracks" / "day.gpx").write_bytes(text)
    assert "warned tracks/day.gpx: heights: left out" in said(only_log(folder))


def test_cut_gpx_is_read_up_to_the_damage(folder: Path) -> None:
    whole = gpx(drive())
    log = only_log(use(folder, "day.gpx", whole[: len(whole) // 2]))
    assert 15 < len(log.x) < 30 and "the end of the file is damaged" in said(log)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        ('<!DOCTYPE g [<!ENTITY a "b">]><gpx>&a;</gpx>', "document type or entity"),
        ("<gpx><rte><rtept lat='1' lon='2'/></rte></gpx>", "no recorded points"),
        ("<kml/>", "no recorded points"),
        ("<gpx", "not a readable XML"),
    ],
)
def test_gpx_refused(tmp_path: Path, content: str, what: str) -> None:
    path = tmp_path / "a.gpx"
    path.write_text(content)
    with pytest.raises(InputError, match=what):
        read_gpx(path, "a.gpx", "tracks/a.gpx")


@pytest.mark.parametrize(
    ("header", "factor"),
    [
        ("speed_km_h", 3.6),
        ("Speed (km/h)", 3.6),
        ("SPEED_MPH", 1 / 0.44704),
        ("speed", 3.6),
        ("velocity", 1.0),
    ],
)
def test_speed_is_in_metres_per_second_whatever_its_unit(folder: Path, header: str, factor: float) -> None:
    log = drive()
    rows = [
        f"{stamp(t)};{y:.7f};{x:.7f};{2.0 * factor:.4f}" for t, x, y in zip(log.time, log.lon, log.lat, strict=True)
    ]
    read = only_log(use(folder, "day.csv", "\n".join([f"Timestamp;LAT;Lon;{header}", *rows]).encode()))
    assert read.speed_m_s == pytest.approx(np.full(46, 2.0), rel=1e-3)
    assert ("unit of speed" in said(read)) == (header in ("speed", "velocity"))


def test_wrong_unit_of_speed_is_warned_of(folder: Path) -> None:
    text = csv(drive()).replace(b",2.000", b",7.200")
    assert "3.60 times the speed along the fixes" in said(only_log(use(folder, "day.csv", text)))


def test_tyre_pressure_is_brought_to_cold(folder: Path) -> None:
    log = drive()
    rows = [f"{stamp(t)},{y:.7f},{x:.7f},1.867,50" for t, x, y in zip(log.time, log.lon, log.lat, strict=True)]
    head = "time,lat,lon,tyre_pressure_bar,tyre_temperature_c"
    read = only_log(use(folder, "day.csv", "\n".join([head, *rows]).encode()))
    # gas law: (186.7 + 101.325) kPa x 293.15 K / 323.15 K - 101.325 kPa = 159.96 kPa [derived]
    assert read.pressure_pa == pytest.approx(np.full(46, 159.96e3), abs=30)
    assert read.tyre_celsius is not None and "cold" in said(read)


def test_rows_of_two_machines_are_told_apart_by_their_column(folder: Path) -> None:
    one, two = drive((20.0, 32.0)), drive((60.0, 72.0))
    rows = []
    for i in range(46):
        for name, log in (("A", one), ("B", two)):
            rows.append(f"{stamp(log.time[i])},{log.lon[i]:.7f},{log.lat[i]:.7f},{name}")
    use(folder, "day.csv/B", "\n".join(["time,lon,lat,machine", *rows]).encode())
    read = only_log(folder)
    assert read.key == "day.csv/B" and len(read.x) == 46 and read.x.min() > EAST + 59


def test_names_of_machines_carry_no_markup(folder: Path) -> None:
    log, other = drive((20.0, 32.0)), drive((60.0, 72.0))
    rows = [
        f"{stamp(one.time[i])},{one.lon[i]:.7f},{one.lat[i]:.7f},{name}"
        for name, one in (("<script>", log), ("../b", other))
        for i in range(46)
    ]
    with pytest.raises(InputError, match="several machines") as caught:
        read_farm(use(folder, "day.csv", "\n".join(["time,lon,lat,machine", *rows]).encode()))
    assert "<" not in str(caught.value) and "day.csv/.._b" in str(caught.value)


def test_rows_without_times_beside_their_dates(folder: Path) -> None:
    rows = [f"2026-10-01,,{x:.7f},{y:.7f}" for x, y in zip(drive().lon, drive().lat, strict=True)]
    read = only_log(use(folder, "day.csv", "\n".join(["date,time,lon,lat", *rows]).encode()))
    assert "one stamp for all" in said(read) and len(read.x) == 46


@pytest.mark.parametrize("after_another", [False, True], ids=["row by row", "one after the other"])
def test_two_machines_are_told_apart_by_place(folder: Path, after_another: bool) -> None:
    one, two = drive((5.0, 12.0)), drive((90.0, 97.0))
    both = [np.concatenate([getattr(one, n), getattr(two, n)]) for n in ("time", "lon", "lat", "speed")]
    order = np.arange(92) if after_another else np.argsort(both[0], kind="stable")
    log = type(one)(*both).part(order)
    with pytest.raises(InputError, match="several machines"):
        read_farm(use(folder, "day.csv", csv(log)))
    ops = folder / "operations.csv"
    ops.write_text(ops.read_text().replace("day.csv", "day.csv/2"))
    read = only_log(folder)
    assert len(read.x) == 46 and np.ptp(read.x) == pytest.approx(7.0, abs=0.1)


def test_clock_that_is_reset_is_put_together_again(folder: Path) -> None:
    log = drive((20.0, 30.0, 40.0, 50.0, 60.0, 70.0))
    time = log.time.copy()
    time[70:] -= 70 * 2 + 3 * 86_400
    read = only_log(use(folder, "day.csv", csv(type(log)(time, log.lon, log.lat, log.speed))))
    assert np.diff(read.time_s).tolist() == [2.0] * 137
    assert "jumps of the clock" in said(read)


def test_rows_out_of_order_keep_their_times(folder: Path) -> None:
    log = drive()
    mixed = log.part(np.random.default_rng(1).permutation(46))
    read = only_log(use(folder, "day.csv", csv(mixed)))
    assert sorted(read.time_s) == log.time.tolist() and "steps back in time" in said(read)


def test_log_without_times_is_used_in_file_order_or_refused(folder: Path) -> None:
    log = drive()
    rows = [f"{x:.7f},{y:.7f}" for x, y in zip(log.lon, log.lat, strict=True)]
    read = only_log(use(folder, "day.csv", "\n".join(["lon,lat", *rows]).encode()))
    assert np.isnan(read.time_s).all() and "the order of the file is used" in said(read)
    shuffled = np.random.default_rng(1).permutation(np.array(rows))
    (folder / "tracks/day.csv").write_text("\n".join(["lon,lat", *shuffled]))
    with pytest.raises(InputError, match="not in the order of driving"):
        read_farm(folder)


def test_dates_without_times_and_times_without_dates(folder: Path) -> None:
    log = drive()
    days = csv(log).decode().replace("time,", "date,")
    for second in log.time:
        days = days.replace(stamp(second), "2026-10-01")
    read = only_log(use(folder, "day.csv", days.encode()))
    assert np.isnan(read.time_s).all() and "one stamp for all" in said(read)
    clock = csv(log.later(17 * 3600 + 3540)).decode().replace("2026-10-01T", "").replace("2026-10-02T", "")
    (folder / "tracks/day.csv").write_text(clock.replace("Z,", ","))
    read = only_log(folder)
    assert np.diff(read.time_s).tolist() == [2.0] * 45 and read.time_s[0] == 23 * 3600 + 59 * 60


def test_date_and_time_in_two_columns(folder: Path) -> None:
    text = csv(drive()).decode().replace("time,", "date,time,").replace("T0", ",0").replace("Z,", ",")
    assert only_log(use(folder, "day.csv", text.encode())).time_s[0] == START_S


def test_log_written_twice_counts_once(folder: Path) -> None:
    whole = csv(drive())
    twice = whole + whole.partition(b"\n")[2]
    read = only_log(use(folder, "day.csv", twice))
    assert len(read.x) == 46 and read.rows == 92 and "fixes that come twice: 46 of 92" in said(read)


def test_same_log_under_two_names_is_warned_of(folder: Path) -> None:
    for name in ("a.csv", "b.csv"):
        (folder / "tracks" / name).write_bytes(csv(drive()))
    ops = folder / "operations.csv"
    ops.write_text(
        ops.read_text().replace("harvest.tsv", "a.csv")
        + "4,2026-10-02,,Park,harvest,spreader,8 t/ha,9 t,fills,,b.csv,,,15\n"
    )
    whats = [note.what for note in read_farm(folder).notes]
    assert any("tracks/b.csv: the same log as tracks/a.csv" in what for what in whats)


def test_seconds_that_stand_still_at_five_fixes_each(folder: Path) -> None:
    log = drive()
    log = type(log)(np.floor(log.time / 10) * 10, log.lon, log.lat, log.speed)
    read = only_log(use(folder, "day.csv", csv(log)))
    assert np.diff(read.time_s)[:40].tolist() == [2.0] * 40 and "stands still" in said(read)


def test_nowhere_and_far_away_single_fixes(folder: Path) -> None:
    log = drive()
    lon, lat = log.lon.copy(), log.lat.copy()
    lon[5] = lat[5] = 0.0
    lat[9] += 0.05  # 5.6 km
    lat[11] = 95.0
    read = only_log(use(folder, "day.csv", csv(type(log)(log.time, lon, lat, log.speed))))
    assert len(read.x) == 44 and "rows without a place: 2 of 46" in said(read)
    assert "steps of more than 30 m between fixes: 2 of 44" in said(read)


def test_quality_line(folder: Path) -> None:
    (line,) = understood(read_farm(use(folder, "day.gpx", gpx(drive()))))["recorded_tracks"]
    assert (line["fixes"], line["share_used_pct"], line["gaps"], line["pauses"]) == (46, 100.0, 0, 0)
    # 44 steps of 4 m and one of 12 m to the next column; 4 m in 2 s are 7.2 km/h
    assert line["length_km"] == pytest.approx(0.188, abs=0.01) and line["speed_km_h"][1] == pytest.approx(7.2, abs=0.1)
    assert line["jitter_m"] < 0.02
    words = CliRunner().invoke(app, ["check", str(folder)]).stdout
    assert (
        "day.gpx: 46 fixes, 100 % of the records used; 0.19 km in 0.03 h; 0 gaps over 30 m (longest step 12 m)" in words
    )
    assert "7.2 km/h (7.2 to 7.2); with speed" in words


def test_columns_in_feet_and_inches_of_a_projected_system(folder: Path) -> None:
    change = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    log = drive()
    x, y = change.transform(log.lon, log.lat)
    rows = [
        f"{t - START_S:.0f},{a / 0.3048:.4f},{b / 0.3048:.4f},157.48" for t, a, b in zip(log.time, x, y, strict=True)
    ]
    form = f"""
[tracks."day.csv"]
time = {{ column = "t", unit = "s" }}
x = {{ column = "e", unit = "ft" }}
y = {{ column = "n", unit = "ft" }}
step = {{ column = "d", unit = "in" }}
crs = "{CRS}"
"""
    toml = folder / "farm.toml"
    toml.write_text(toml.read_text() + form)
    read = only_log(use(folder, "day.csv", "\n".join(["t,e,n,d", *rows]).encode()))
    assert np.abs(read.x - x).max() < 0.001 and read.step_m == pytest.approx(np.full(46, 4.0), abs=0.001)
    assert place([0.0], [0.0])[0].shape == (1,)
