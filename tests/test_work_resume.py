"""What a killed run had finished is not computed again, and the result is the one of an undisturbed run, byte for byte."""

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import shapely
from broken_runs import state
from make_county import Size, make_farm

from trafficplan.chain import Plan
from trafficplan.errors import InputError, OutputError
from trafficplan.farm.operation import Change, Scenario
from trafficplan.inputs.farm import read_farm
from trafficplan.work import season as season_module
from trafficplan.work.field import Also, FieldDone, Task, compute_field
from trafficplan.work.hands import hands
from trafficplan.work.part import part_of
from trafficplan.work.place import part_of_place, result_at
from trafficplan.work.resume import LEDGER, common_print, fingerprint
from trafficplan.work.season import compute_fields, map_farm
from trafficplan.work.store import Store
from trafficplan.work.written import hash_of, text_of, value_of

REPO = Path(__file__).resolve().parents[1]
PLAN = Plan(cell=2.0, depths_m=(0.2, 0.5))
LIGHT = Scenario("light", "half loads", (Change(load_factor=0.5),))


@pytest.fixture(scope="module")
def folder(once):
    return once("four-fields", lambda made: make_farm(made, 0, Size(fields=4, field_ha=0.36, operations=3)))


@pytest.fixture(scope="module")
def farm(folder):
    read = read_farm(folder)
    return replace(read, scenarios={**read.scenarios, "light": LIGHT})


def run(farm, out, resume=False, plan=PLAN, scenarios=("base",), partly=False, workers=1):
    with result_at(out, None, resume) as place, hands(workers) as at_work:
        return map_farm(farm, list(farm.fields), scenarios, plan, place, at_work, partly=partly)


@pytest.fixture(scope="module", autouse=True)
def plain_report():
    """The report takes most of the time of a run so small, and nothing here depends on what is in it."""
    patch = pytest.MonkeyPatch()
    patch.setattr(season_module, "write_report", lambda path, *_: path.write_text("the report"))
    yield
    patch.undo()


# what is written down and read back


def test_a_finished_field_is_read_back_exactly(farm, tmp_path):
    key = next(iter(farm.fields))
    part = part_of(farm, key, ["light"])
    done, files = compute_field(Task(part, key, ("base", "light"), PLAN, Store(str(tmp_path)), 1, "x"))
    again = value_of(text_of(done))
    assert isinstance(again, FieldDone) and text_of(again) == text_of(done)
    assert again.summaries[0].rows == done.summaries[0].rows and again.summaries[1].field == done.summaries[1].field
    assert {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*.tif")} == set(files)


def test_plain_data_of_every_kind_comes_back(tmp_path):
    told = {
        ("a", 1): (0.1, float("-inf"), None, True, "ž", b"\0\xff"),
        date(2026, 3, 1): [np.arange(6.0).reshape(2, 3), np.array([1, 2], np.uint16), frozenset({"x", "y"}), tmp_path],
        "shape": shapely.MultiPolygon([shapely.box(0, 0, 1, 0.1)]),
    }
    again = value_of(text_of(told))
    assert text_of(again) == text_of(told) and again[("a", 1)] == told[("a", 1)]
    assert again[date(2026, 3, 1)][0].dtype == np.float64 and again["shape"].equals_exact(told["shape"], 0.0)


@pytest.mark.parametrize(
    "text",
    [
        '{"of":"work.pool:processes","is":{}}',
        '{"of":"work.store:Path","is":{}}',
        '{"of":"os:system","is":{}}',
        '{"of":"errors:InputError","is":{"problems":[]}}',
        '{"module":"os"}',
        '{"of":"names:Note","is":{"colour":"red"}}',
        "{",
    ],
)
def test_nothing_but_plain_data_is_made_from_a_file(text):
    with pytest.raises(ValueError, match=r"."):
        value_of(text)


def test_what_is_no_plain_data_is_not_written():
    with pytest.raises(TypeError, match="function"):
        text_of((1, lambda: 2))


# the hash of a field's inputs


def prints(farm, plan=PLAN, order=("base",)):
    common = common_print(farm)
    return {key: fingerprint(common, part_of(farm, key, order), key, order, plan) for key in farm.fields}


def changed(farm, **parts):
    """Return the fields whose hash is another one when parts of the farm are."""
    before, after = prints(farm), prints(replace(farm, **parts))
    return {key for key in before if before[key] != after[key]}


def test_the_hash_is_the_same_for_the_same_farm_read_again(folder, farm):
    assert prints(farm) == prints(read_farm(folder))


def test_only_the_fields_that_see_a_change_have_another_hash(farm):
    first, *rest = farm.operations
    assert changed(farm, operations=(replace(first, moisture=None, load_kg=1000.0), *rest)) == {first.field}
    assert changed(farm, operations=tuple(rest)) == {first.field}
    field = farm.fields[first.field]
    moved = replace(field, polygon=shapely.transform(field.polygon, lambda xy: xy + 1e-6))
    assert changed(farm, fields={**farm.fields, first.field: moved}) == {first.field}
    outfit = farm.outfits[first.outfit]
    users = {one.field for one in farm.operations if one.outfit == first.outfit}
    assert changed(farm, outfits={**farm.outfits, first.outfit: replace(outfit, width_m=outfit.width_m + 1)}) == users
    unit = farm.soil_map[0].unit
    wetter = replace(farm.soil_units[unit], swelling=True)
    seen = {key for key, one in farm.fields.items() if any(p.unit == unit and p.polygon.intersects(one.polygon) for p in farm.soil_map)}  # fmt: skip
    assert seen <= changed(farm, soil_units={**farm.soil_units, unit: wetter})
    assert changed(farm, defaults={"gateway_radius_m": 30.0}) == set(farm.fields)


def test_what_a_field_does_not_see_leaves_its_hash(farm):
    shifted = tuple(replace(one, row=one.row + 7) for one in farm.operations)
    assert changed(farm, operations=shifted) == set()
    assert changed(farm, notes=(), inputs={}, seen=()) == set()
    assert changed(farm, scenarios={**farm.scenarios, "more": LIGHT}) == set()


def test_plan_and_scenarios_are_in_the_hash(farm):
    assert not set(prints(farm).values()) & set(prints(farm, replace(PLAN, cell=1.0)).values())
    assert not set(prints(farm).values()) & set(prints(farm, replace(PLAN, last=date(2026, 6, 1))).values())
    assert not set(prints(farm).values()) & set(prints(farm, order=("base", "light")).values())
    heavier = replace(farm, scenarios={**farm.scenarios, "light": replace(LIGHT, changes=(Change(load_factor=0.6),))})
    assert not set(prints(farm, order=("base", "light")).values()) & set(
        prints(heavier, order=("base", "light")).values()
    )
    assert hash_of(PLAN) != hash_of(replace(PLAN, depths_m=(0.2,)))


def test_the_part_of_a_farm_gives_the_bytes_of_the_whole(farm, tmp_path):
    key = list(farm.fields)[1]
    found = []
    for name, seen in (("part", part_of(farm, key, ["light"])), ("whole", farm)):
        task = Task(seen, key, ("base", "light"), PLAN, Store(str(tmp_path / name)), 1, "x")
        done, files = compute_field(task)
        found.append((files, text_of(replace(done, timings={}))))
    assert found[0] == found[1]


# resuming


class Stop(Exception):  # noqa: N818 - not an error
    """Breaks a run off."""


def break_off(farm, out, after, **options):
    """Run until `after` fields are finished, then break off and leave what is there."""
    done = []

    def told(field, _share):
        done.append(field)
        if len(done) == after:
            raise Stop

    with pytest.raises(Stop), result_at(out, None, True) as place, hands(1) as at_work:
        map_farm(farm, list(farm.fields), ("base",), PLAN, place, at_work, told, **options)
    return done


@pytest.fixture(scope="module")
def undisturbed(farm, tmp_path_factory):
    out = tmp_path_factory.mktemp("undisturbed") / "out"
    run(farm, out)
    return state(out)


def test_finished_fields_are_taken_over(farm, tmp_path, undisturbed):
    out = tmp_path / "out"
    done = break_off(farm, out, 2)
    resumed = run(farm, out, resume=True)
    assert set(resumed.taken_over) == set(done)
    assert state(out) == undisturbed and [path.name for path in tmp_path.iterdir()] == ["out"]
    assert json.loads((out / "timings.json").read_text())["taken over"] == list(resumed.taken_over)


def test_without_resume_everything_is_computed_again(farm, tmp_path, undisturbed):
    out = tmp_path / "out"
    break_off(farm, out, 2)
    assert run(farm, out).taken_over == () and state(out) == undisturbed


def test_a_field_whose_inputs_changed_meanwhile_is_computed_again(farm, tmp_path):
    out, fresh = tmp_path / "out", tmp_path / "fresh"
    done = break_off(farm, out, 3)
    first = next(one for one in farm.operations if one.field == done[0])
    other = replace(
        farm, operations=tuple(replace(one, load_kg=2000.0) if one is first else one for one in farm.operations)
    )
    assert set(run(other, out, resume=True).taken_over) == set(done[1:])
    run(other, fresh)
    assert state(out) == state(fresh)


@pytest.mark.parametrize("harm", ["layer cut", "layer changed", "layer gone", "entry cut", "entry of another kind"])
def test_what_is_not_whole_is_computed_again(farm, tmp_path, undisturbed, harm):
    out = tmp_path / "out"
    done = break_off(farm, out, 2)
    new = out.with_name("out.new")
    layer = new / "layers" / "base" / done[0] / "ratio_50.tif"
    entry = new / LEDGER / f"{done[0]}.json"
    data = layer.read_bytes()
    if harm == "layer cut":
        layer.write_bytes(data[:-10])
    elif harm == "layer changed":
        layer.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    elif harm == "layer gone":
        layer.unlink()
    elif harm == "entry cut":
        entry.write_bytes(entry.read_bytes()[:-20])
    else:
        head = entry.read_text().split("\n")[0]
        entry.write_text(f'{head}\n{{"of":"names:Note","is":{{"kind":"assumed","what":"","value":"","why":""}}}}\n')
    assert set(run(farm, out, resume=True).taken_over) == {done[1]}
    assert state(out) == undisturbed


def test_fields_that_are_not_asked_for_any_more_leave_nothing(farm, tmp_path):
    out, fresh = tmp_path / "out", tmp_path / "fresh"
    done = break_off(farm, out, 2)
    (out.with_name("out.new") / "layers" / "stray.tif").write_bytes(b"x")
    few = replace(farm, fields={key: one for key, one in farm.fields.items() if key != done[0]})
    run(few, out, resume=True)
    run(few, fresh)
    assert state(out) == state(fresh)


def test_of_several_farms_only_what_is_unfinished_is_computed(farm, tmp_path):
    out = tmp_path / "out"

    def both(resume, told=lambda _f, _s: None):
        with result_at(out, None, resume) as place, hands(1) as at_work:
            (place.folder / "run.json").write_text('{"program": "trafficplan"}')
            return [
                map_farm(farm, some, ("base",), PLAN, part_of_place(place, name), at_work, told).taken_over
                for name, some in (("a", list(farm.fields)[:2]), ("b", list(farm.fields)[2:]))
            ]

    def stop(field, _share):
        if field in list(farm.fields)[2:]:
            raise Stop

    with pytest.raises(Stop):
        both(True, stop)
    assert [len(one) for one in both(True)] == [2, 1]
    assert not list(out.rglob(LEDGER)) and len(list(out.rglob("run.json"))) == 3
    with pytest.raises(Stop):
        both(True, stop)
    with result_at(out, None, True) as place, hands(1) as at_work:  # farm b alone: nothing of farm a may stay
        (place.folder / "run.json").write_text('{"program": "trafficplan"}')
        map_farm(farm, list(farm.fields)[2:], ("base",), PLAN, part_of_place(place, "b"), at_work)
    assert not (out / "a" / "layers").exists() and (out / "b" / "run.json").exists()


def wheeled(farm, result, plan, known, given):
    return (result.summary.field.key, result.summary.wheeled_ha * given["factor"], len(known), plan.cell)


def test_what_is_also_done_with_a_field_comes_back_and_is_taken_over(farm, tmp_path):
    def go(resume, factor):
        also = Also(wheeled, {key: {"factor": factor} for key in farm.fields})
        with pytest.raises(Stop), result_at(tmp_path / "out", None, resume) as place, hands(1) as at_work:
            runs.append(compute_fields(farm, list(farm.fields), ("base",), PLAN, place, at_work, also=also))
            raise Stop

    runs = []
    for resume, factor in ((True, 2.0), (True, 2.0), (True, 3.0)):
        go(resume, factor)
    first, again, other = runs
    assert (first.taken_over, set(again.taken_over), other.taken_over) == ((), set(farm.fields), ())
    for key, done in first.done.items():
        assert done.more == (key, done.summaries[0].wheeled_ha * 2.0, 3, 2.0) == again.done[key].more
        assert other.done[key].more[1] == done.summaries[0].wheeled_ha * 3.0


# fields that fail


def closed(farm, key):
    """Return the farm with a spreading on frozen ground in one field."""
    first = next(one for one in farm.operations if one.field == key and one.change == "empties")
    return replace(
        farm, operations=tuple(replace(one, surface="frozen") if one is first else one for one in farm.operations)
    )


@pytest.mark.parametrize("workers", [1, 2])
def test_a_field_that_fails_ends_the_run_or_is_named(farm, tmp_path, workers):
    key = next(one.field for one in farm.operations if one.change == "empties")
    bad = closed(farm, key)
    with pytest.raises(InputError, match="frozen"):
        run(bad, tmp_path / "out", workers=workers)
    done = run(bad, tmp_path / "out", partly=True, workers=workers)
    assert list(done.failed) == [key] and "frozen" in done.failed[key][0].found
    assert {one.field.key for one in done.summaries} == set(farm.fields) - {key}
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["parameters"]["fields"] == [one for one in farm.fields if one != key]
    assert any(key in one["what"] and "not computed" in one["what"] for one in record["warnings"])
    assert not (tmp_path / "out" / "layers" / "base" / key).exists()


def test_when_every_field_fails_nothing_is_written(farm, tmp_path):
    bad = farm
    for key in farm.fields:
        spread = any(one.field == key and one.change == "empties" for one in farm.operations)
        bad = closed(bad, key) if spread else replace(bad, fields={k: f for k, f in bad.fields.items() if k != key})
    with pytest.raises(InputError) as caught:
        run(bad, tmp_path / "out", partly=True)
    assert len(caught.value.problems) == len(bad.fields) and not list(tmp_path.iterdir())


def test_a_fault_of_the_program_on_one_field_is_named_and_the_rest_done(farm, tmp_path, monkeypatch):
    from trafficplan.work import field as module

    key = list(farm.fields)[0]
    compute = module.run_field

    def faulty(farm_, scenario, field, *rest):
        if field.key == key:
            raise ZeroDivisionError("by zero")
        return compute(farm_, scenario, field, *rest)

    monkeypatch.setattr(module, "run_field", faulty)
    done = run(farm, tmp_path / "out", partly=True)
    assert list(done.failed) == [key] and "ZeroDivisionError" in done.failed[key][0].found
    with pytest.raises(ZeroDivisionError):
        run(farm, tmp_path / "other")


def test_a_disk_that_is_full_ends_the_run_and_resume_goes_on(farm, tmp_path, undisturbed, monkeypatch):
    from trafficplan.work import store as module

    out, written = tmp_path / "out", []
    write = module._write_here

    def full(path, data):
        if len(written) > 20:
            raise OSError(28, "No space left on device")
        written.append(path)
        write(path, data)

    monkeypatch.setattr(module, "_write_here", full)
    with pytest.raises(OutputError) as caught:
        run(farm, out, resume=True, partly=True)
    assert "No space left" in caught.value.problems[0].found and caught.value.problems[0].where == str(out)
    assert not out.exists()
    monkeypatch.setattr(module, "_write_here", write)
    assert run(farm, out, resume=True).taken_over and state(out) == undisturbed


# real kills


@pytest.mark.whole
@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL and forks are Unix's")
def test_killed_at_many_moments_and_resumed_the_bytes_are_those_of_an_undisturbed_run(folder, tmp_path):
    done = subprocess.run(
        [sys.executable, Path(__file__).parent / "resumed_runs.py", folder, tmp_path / "out"],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(REPO)}, timeout=900,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    runs = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(runs) == 7
    for one in runs:
        assert one["status"] == 0 and one["same"] and one["left"] == ["out", "said"], one
        assert len(one["taken_over"]) == one["finished"], one
    assert sum(one["killed"] for one in runs) >= 6 and max(one["finished"] for one in runs) == 4


@pytest.mark.whole
@pytest.mark.skipif(sys.platform != "linux", reason="processes are looked up in /proc")
def test_workers_of_a_killed_run_end_with_it(folder, tmp_path):
    out = tmp_path / "out"
    words = [
        sys.executable,
        "-m",
        "trafficplan",
        "map",
        str(folder),
        "--out",
        str(out),
        "--cell",
        "0.5",
        "--workers",
        "2",
    ]
    running = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    end = time.monotonic() + 300
    while len(children(running.pid)) < 3 and time.monotonic() < end:  # two workers and the resource tracker
        time.sleep(0.02)
    workers = children(running.pid)
    os.kill(running.pid, signal.SIGKILL)
    running.wait()
    assert len(workers) >= 3
    end = time.monotonic() + 300
    while any(alive(one) for one in workers) and time.monotonic() < end:
        time.sleep(0.05)
    assert not [one for one in workers if alive(one)]


def children(pid):
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found.append(int(path.parent.name))
    return found


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
