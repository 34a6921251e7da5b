"""Two processes that compile two forms of one function at the same moment do not take each other's."""

import numpy as np
from numba.core.caching import IndexDataCacheFile

from trafficplan.compiled import njit


def test_a_form_is_never_taken_for_another(tmp_path):
    first, second, later = (IndexDataCacheFile(str(tmp_path), "function", "stamp") for _ in range(3))
    late = []
    first._save_data = lambda name, data: late.append((name, data))
    second._load_index = dict  # it looked before the first had written
    first.save("whole numbers", "form one")
    second.save("fractions", "form two")
    IndexDataCacheFile._save_data(first, *late[0])
    assert later.load("fractions") == "form two"
    assert later.load("whole numbers") in (None, "form one")


def test_forms_are_kept_and_found_again(tmp_path):
    one, two = (IndexDataCacheFile(str(tmp_path), "function", "stamp") for _ in range(2))
    for key, data in (("a", "1"), ("b", "2"), ("a", "3")):
        one.save(key, data)
    assert (two.load("a"), two.load("b"), two.load("c")) == ("3", "2", None)
    assert len(list(tmp_path.glob("*.nbc"))) == 2


def test_each_form_gives_its_own_answer():
    @njit
    def twice(x):
        return x + x

    assert twice(2) == 4 and twice(1.5) == 3.0 and twice(np.ones(2)).tolist() == [2.0, 2.0]
