"""Field-traffic planner: maps of cumulative soil compaction risk."""

import os

__version__ = "0.1.0"

# rasterio, pyogrio and pyproj each carry their own GDAL/PROJ data; a stray setting from another program breaks them.
for _name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
    os.environ.pop(_name, None)
# A virtual or networked source behind an innocent file name must not be opened.
os.environ["GDAL_SKIP"] = "OGR_VRT,HTTP,WFS,OAPIF"
