"""Files of an answer take their places together; what was there before stays when they do not."""

import json

import pytest

from trafficplan.errors import OutputError
from trafficplan.work.answers import answer_into, write_result, write_text


def put(out, text):
    with answer_into(out) as folder:
        write_text(folder / "days.html", text)
        write_result(folder / "days.json", {"b": text, "a": "ä"})


def test_files_take_their_places_beside_what_else_is_there(tmp_path):
    out = tmp_path / "new" / "answers"
    put(out, "first\n")
    (out / "notes.txt").write_text("mine")
    put(out, "second\n")
    assert sorted(path.name for path in out.iterdir()) == ["days.html", "days.json", "notes.txt"]
    assert (out / "days.html").read_bytes() == b"second\n" and (out / "notes.txt").read_text() == "mine"
    assert (out / "days.json").read_bytes() == '{\n "a": "ä",\n "b": "second\\n"\n}\n'.encode()


@pytest.mark.parametrize("error", [KeyboardInterrupt(), ValueError("a fault"), OSError(28, "No space left on device")])
def test_what_breaks_off_leaves_the_earlier_answer(tmp_path, error):
    put(tmp_path, "first")
    with pytest.raises((type(error), OutputError)), answer_into(tmp_path) as folder:
        write_text(folder / "days.html", "second")
        raise error
    assert sorted(path.name for path in tmp_path.iterdir()) == ["days.html", "days.json"]
    assert (tmp_path / "days.html").read_text() == "first"
    assert json.loads((tmp_path / "days.json").read_text())["b"] == "first"


@pytest.mark.parametrize("taken", ["file in place of the folder", "folder in place of a file"])
def test_a_folder_that_cannot_be_written_is_told(tmp_path, taken):
    out = tmp_path / "out"
    if taken.startswith("file"):
        out.write_text("a file")
    else:
        (out / "days.html").mkdir(parents=True)
    with pytest.raises(OutputError, match="the answer cannot be written") as caught:
        put(out, "first")
    assert caught.value.problems[0].where == str(out)
