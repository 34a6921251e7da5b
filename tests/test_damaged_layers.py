"""Map layers and rasters with bytes cut off or changed: read or refused in words, never another error."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from spoiled_farms import write_good
from spoiled_vectors import CLASSES, HALF, raster, soil_raster, textures
from test_vector_formats import as_format

from trafficplan.errors import InputError
from trafficplan.inputs.farm import read_farm

TRIALS = 24


def two_classes(folder: Path) -> None:
    soil_raster(np.repeat([[1] * 7 + [2] * 7], 14, axis=0).astype(np.uint8), CLASSES)(folder)


def layers_as(form: str) -> Callable[[Path], None]:
    return lambda folder: as_format(folder, form)


FORMS: tuple[tuple[str, Callable[[Path], None], tuple[str, ...]], ...] = (
    ("GeoPackage", layers_as("gpkg"), ("fields.gpkg", "soil.gpkg")),
    ("Shapefile", layers_as("shp"), ("fields.shp", "fields.dbf", "fields.shx", "fields.prj", "soil.dbf")),
    ("zip", layers_as("zip"), ("fields.zip",)),
    ("FlatGeobuf", layers_as("fgb"), ("fields.fgb", "soil.fgb")),
    ("KML", layers_as("kml"), ("fields.kml",)),
    ("raster of classes", two_classes, ("soil.tif",)),
    ("rasters of sand and clay", textures(HALF, HALF / 2), ("sand.tif", "clay.tif")),
    ("heights", raster("elevation.tif", HALF), ("elevation.tif",)),
)


def damage(content: bytes, kind: int, generator: np.random.Generator) -> bytes:
    """Cut the file, change eight bytes, change one near its beginning, or put in a large number."""
    spoiled = bytearray(content)
    place = int(generator.integers(len(spoiled)))
    if kind == 0:
        del spoiled[place:]
    elif kind == 1:
        for one in generator.integers(len(spoiled), size=8):
            spoiled[one] = int(generator.integers(256))
    elif kind == 2:
        spoiled[place % 400] = int(generator.integers(256))
    else:
        spoiled[place : place + 4] = b"\xff\xff\xff\x7f"
    return bytes(spoiled)


@pytest.mark.parametrize("form, make, names", FORMS, ids=lambda one: one if isinstance(one, str) else "")
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_damage_is_refused_in_words_or_does_no_harm(
    tmp_path: Path, form: str, make: Callable[[Path], None], names: tuple[str, ...]
) -> None:
    folder = write_good(tmp_path / "farm")
    make(folder)
    read_farm(folder)
    generator = np.random.default_rng([ord(letter) for letter in form])
    refused = 0
    for trial in range(TRIALS):
        path = folder / names[trial % len(names)]
        whole = path.read_bytes()
        path.write_bytes(damage(whole, trial % 4, generator))
        try:
            read_farm(folder)
        except InputError as error:
            refused += 1
            assert error.problems
            assert not [one for one in error.problems if str(tmp_path) in one.sentence()]
        path.write_bytes(whole)
    assert refused >= TRIALS // 6
    read_farm(folder)
