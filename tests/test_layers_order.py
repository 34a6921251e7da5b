"""The order of the layers: a file imports only from layers above its own; physics imports no map library."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "trafficplan"
ORDER = (
    ("names", "units", "errors", "compiled"),
    ("machines", "soil"),
    ("farm",),
    ("inputs",),
    ("routes",),
    ("traffic",),
    ("assess",),
    ("chain",),
    ("whatif",),
    ("decide",),
    ("report",),
    ("work",),
    ("cli", "web"),
)
LEVEL = {name: level for level, names in enumerate(ORDER) for name in names}
MAPS = {"geopandas", "shapely", "rasterio", "pyproj", "pyogrio", "folium", "affine"}
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or path.stem in LEVEL)


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the layer"
            found |= {f"{node.module}.{name.name}" for name in node.names}
    return found


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_downwards(path):
    own = room(path)
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "trafficplan" and len(parts) > 1 and parts[1] in LEVEL and parts[1] != own:
            assert LEVEL[parts[1]] < LEVEL[own], f"{path.name} ({own}) imports {name}"
        if own in ("machines", "soil"):
            assert parts[0] not in MAPS, f"{path.name} ({own}) imports {name}"


def test_every_folder_has_a_layer():
    assert {room(path) for path in FILES} <= set(LEVEL)


def test_help_imports_nothing_heavy():
    code = (
        "import sys; sys.argv = ['trafficplan', '--help']\n"
        "from trafficplan.cli.main import run\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'geopandas', 'matplotlib', 'numba', 'rasterio', 'shapely'} & set(sys.modules)\n"
        "print('heavy:', sorted(heavy))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "heavy: []" in done.stdout
    assert "map" in done.stdout and "check" in done.stdout


def test_the_kernel_cache_watches_every_file_with_compiled_code():
    import trafficplan

    watched = {path for pattern in trafficplan._KERNEL_ROOMS for path in PACKAGE.glob(pattern)}
    compiled = {
        path
        for path in PACKAGE.rglob("*.py")
        if any(word in path.read_text(encoding="utf-8") for word in ("njit", "from numba")) and path.parent != PACKAGE
    }
    assert compiled and compiled <= watched


def test_a_kernel_cache_that_another_process_makes_at_the_same_moment_is_used(tmp_path, monkeypatch):
    import trafficplan

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("NUMBA_CACHE_DIR", "none yet")
    trafficplan._kernel_cache()
    (made,) = (tmp_path / "trafficplan").iterdir()
    monkeypatch.setenv("NUMBA_CACHE_DIR", "none yet")
    # It came just after this process had looked.
    monkeypatch.setattr(Path, "exists", lambda path: path != made and os.path.exists(path))
    trafficplan._kernel_cache()
    assert os.environ["NUMBA_CACHE_DIR"] == str(made)
