"""Inputs that broke a reader once (found by fuzz_readers.py): each now gives a result or an InputError."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_readers import READERS, Reader, read_one, seeds

FOUND = sorted((Path(__file__).parent / "found").iterdir())


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_found_input_is_read_or_refused(path: Path) -> None:
    reader = {one.__name__: one for one in READERS}[path.name.partition("-")[0]]
    assert read_one(reader, path.read_bytes()) in ("read", "refused")


@pytest.mark.parametrize("reader", READERS, ids=lambda reader: reader.__name__)
def test_good_inputs_of_the_fuzz_are_read(reader: Reader) -> None:
    assert [read_one(reader, seed) for seed in seeds(reader)] == ["read"] * len(seeds(reader))
