"""A result appears whole or not at all; an interrupted swap is finished."""

import json
import os
import pickle
from contextlib import suppress
from pathlib import Path

import pytest

from trafficplan.errors import InputError, OutputError, Problem
from trafficplan.work.field import folder_name
from trafficplan.work.folder import finish_swap, new_result


def write_run(folder, text):
    (folder / "run.json").write_text(json.dumps({"program": "trafficplan", "text": text}))


def text_of(folder):
    return json.loads((folder / "run.json").read_text())["text"]


def test_a_finished_result_replaces_the_earlier_one(tmp_path):
    out = tmp_path / "result"
    for text in ("first", "second"):
        with new_result(out) as new:
            write_run(new, text)
        assert text_of(out) == text
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError, OSError(28, "No space left on device")])
def test_what_breaks_off_leaves_the_earlier_result_whole(tmp_path, error):
    out = tmp_path / "result"
    with new_result(out) as new:
        write_run(new, "first")
    with pytest.raises((KeyboardInterrupt, ValueError, OutputError)), new_result(out) as new:
        write_run(new, "second")
        raise error
    assert text_of(out) == "first"
    assert [path.name for path in tmp_path.iterdir()] == ["result"]


def test_a_folder_that_is_not_ours_is_never_replaced(tmp_path):
    out = tmp_path / "photos"
    out.mkdir()
    (out / "harvest.jpg").write_bytes(b"x")
    with pytest.raises(OutputError) as caught, new_result(out):
        raise AssertionError("the block must not run")
    (problem,) = caught.value.problems
    assert "run.json" in problem.found and "--out" in problem.mend
    assert (out / "harvest.jpg").exists()


def test_a_swap_cut_between_its_two_moves_is_finished(tmp_path):
    out, new, old = tmp_path / "r", tmp_path / "r.new", tmp_path / "r.old"
    for folder, text in ((new, "second"), (old, "first")):
        folder.mkdir()
        write_run(folder, text)
    finish_swap(out)
    assert text_of(out) == "second" and not new.exists() and not old.exists()


def test_a_swap_without_a_whole_new_folder_goes_back(tmp_path):
    out, new, old = tmp_path / "r", tmp_path / "r.new", tmp_path / "r.old"
    new.mkdir()
    old.mkdir()
    write_run(old, "first")
    finish_swap(out)
    assert text_of(out) == "first" and not old.exists()


@pytest.mark.parametrize("moment", range(9))
def test_cut_while_the_earlier_result_is_removed_the_next_run_goes_on(tmp_path, monkeypatch, moment):
    out, done = tmp_path / "r", []
    with new_result(out) as new:
        write_run(new, "first")
        (new / "field").mkdir()
        for name in ("a", "field/b", "z"):
            (new / name).write_bytes(b"x")

    def cut_at(remove):
        def removing(*args, **options):
            done.append(args)
            if len(done) > moment:  # and after it nothing more is removed, as after a kill
                raise OSError("cut")
            return remove(*args, **options)

        return removing

    with monkeypatch.context() as patched:
        for name in ("unlink", "rmdir"):
            patched.setattr(f"os.{name}", cut_at(getattr(os, name)))
        with suppress(OutputError, OSError), new_result(out) as new:
            write_run(new, "second")
    with new_result(out) as new:
        write_run(new, "third")
    assert text_of(out) == "third" and [path.name for path in tmp_path.iterdir()] == ["r"]
    assert len(done) > moment or moment > 6


@pytest.mark.parametrize("key", ["North Park", "a/../b", "..", "<script>", "Žalia pieva", "a\\b", "x:y"])
def test_folder_names_stay_inside(tmp_path, key):
    name = folder_name(key)
    assert (tmp_path / name).resolve().parent == tmp_path.resolve()
    assert not set("/\\:<>") & set(name) and name not in ("", ".", "..")


def test_different_fields_have_different_folders():
    keys = ["a/b", "a%2Fb", "a_b", "a b"]
    assert len({folder_name(key) for key in keys}) == len(keys)


@pytest.mark.parametrize("name", ["r.new", "r.old"])
def test_folders_of_others_beside_the_result_are_not_touched(tmp_path, name):
    (tmp_path / name).mkdir()
    (tmp_path / name / "thesis.txt").write_text("years of work")
    with pytest.raises(OutputError) as caught, new_result(tmp_path / "r"):
        raise AssertionError("the block must not run")
    assert name in caught.value.problems[0].where
    assert (tmp_path / name / "thesis.txt").read_text() == "years of work"


def test_a_second_run_into_the_same_folder_is_refused_at_once(tmp_path):
    out = tmp_path / "r"
    with new_result(out) as new:
        with pytest.raises(OutputError) as caught, new_result(out):
            raise AssertionError("the block must not run")
        assert "another run" in caught.value.problems[0].what
        write_run(new, "first")
    assert text_of(out) == "first"


def test_a_link_to_a_result_is_followed_not_replaced(tmp_path):
    out, link = tmp_path / "r", tmp_path / "link"
    link.symlink_to(out)
    for text in ("first", "second"):
        with new_result(link) as new:
            write_run(new, text)
    assert link.is_symlink() and text_of(out) == "second"


def test_the_root_of_the_disk_is_no_result_folder():
    with pytest.raises(OutputError), new_result(Path("/")):
        raise AssertionError("the block must not run")


def test_what_a_killed_run_left_is_cleared(tmp_path):
    new = tmp_path / "r.new"
    (new / "layers").mkdir(parents=True)
    (new / ".trafficplan-writes").touch()
    (new / "layers" / "half.tif").write_bytes(b"x")
    with new_result(tmp_path / "r") as fresh:
        assert [path.name for path in fresh.iterdir()] == [".trafficplan-writes"]
        write_run(fresh, "whole")
    assert {path.name for path in (tmp_path / "r").iterdir()} == {"run.json"}


@pytest.mark.parametrize("error", [InputError, OutputError])
def test_errors_cross_between_processes_whole(error):
    told = error(Problem("what", "where", "found", "needed", "mend"))
    again = pickle.loads(pickle.dumps(told))
    assert type(again) is error and again.problems == told.problems and str(again) == str(told)
