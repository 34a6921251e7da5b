"""Memory does not grow with the number of fields, and each field is written as it comes."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from make_county import Size, make_farm

REPO = Path(__file__).resolve().parents[1]

RUN = """
import json, sys
from pathlib import Path
from peak import peak_mb
from trafficplan.chain import Plan
from trafficplan.inputs.farm import read_farm
from trafficplan.work.hands import hands
from trafficplan.work.place import result_at
from trafficplan.work.season import compute_fields

farm, seen = read_farm(Path(sys.argv[1])), []
with result_at(Path(sys.argv[2])) as place, hands(1) as at_work:
    def told(field, share):
        written = len(list((place.folder / "layers" / "base" / field).glob("*.tif")))
        seen.append((peak_mb(), written))
    compute_fields(farm, list(farm.fields), ("base",), Plan(cell=0.5, depths_m=(0.2, 0.5)), place, at_work, told)
print(json.dumps(seen))
"""


@pytest.mark.whole
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is counted in kB on Linux only")
def test_the_peak_stays_where_it_is_after_a_few_fields(tmp_path):
    """A field of 3 ha has 120,000 cells and some 100 bytes a cell: 12 MB. Nine of them kept would be 100 MB more."""
    farm = make_farm(tmp_path / "farm", 4, Size(fields=12, field_ha=3.0, operations=2))
    done = subprocess.run(
        [sys.executable, "-c", RUN, farm, tmp_path / "out"],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": f"{REPO}{os.pathsep}{REPO / 'tests'}"}, timeout=1800,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert len(seen) == 12 and seen[-1][0] - seen[2][0] < 30, seen
    assert all(written >= 12 for _, written in seen)
