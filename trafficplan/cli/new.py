"""`trafficplan new`: a starter farm folder from a boundary, a soil map and recorded tracks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trafficplan.cli.answer import Json, answer, app

if TYPE_CHECKING:
    from pyproj import CRS

    from trafficplan.inputs.fields import Boundaries
    from trafficplan.names import Note


@app.command("new")
def new_command(
    folder: Annotated[
        Path, typer.Argument(help="Folder to make; it must not be there yet, or be empty.", metavar="DIR")
    ],
    boundary: Annotated[
        Path | None, typer.Option(help="Field boundaries: any file of polygons. Without it: from the tracks.")
    ] = None,
    soil: Annotated[Path | None, typer.Option(help="Soil map: any file of polygons.")] = None,
    tracks: Annotated[list[Path] | None, typer.Option(help="A recorded track; repeat for more.")] = None,
    texture: Annotated[str, typer.Option(help="Texture where the soil file names none.")] = "loam",
    width: Annotated[
        float | None, typer.Option(help="Working width of the tracks, m: only for a boundary from tracks.")
    ] = None,
    crs: Annotated[
        str | None, typer.Option(help="Coordinate system of files that name none.", metavar="EPSG:CODE")
    ] = None,
    as_json: Json = False,
) -> None:
    """Write a starter farm folder that `check` passes, with files that explain themselves and outfits to copy from."""
    asked = {
        "folder": str(folder),
        "boundary": str(boundary) if boundary else None,
        "soil": str(soil) if soil else None,
        "tracks": [str(track) for track in tracks or []],
        "texture": texture,
        "width_m": width,
        "crs": crs,
    }
    answer("new", asked, as_json, lambda: _new(folder, boundary, soil, tracks or [], texture, width, crs))


def _new(
    folder: Path,
    boundary: Path | None,
    soil: Path | None,
    tracks: Sequence[Path],
    texture: str,
    width: float | None,
    crs: str | None,
) -> dict[str, Any]:
    from trafficplan.inputs.starter.folder import Starter, check_free, write_starter
    from trafficplan.inputs.starter.ground import one_soil, read_boundary, read_soil

    check_free(folder)
    known = _texture(texture)
    system = _system(crs) if crs is not None else None
    if boundary is not None:
        boundaries, read = read_boundary(boundary, system)
        notes = list(read.notes)
    else:
        boundaries, notes = _from_tracks(tracks, width)
    parts, read = read_soil(soil, boundaries, known, system) if soil is not None else one_soil(boundaries, known)
    farm, told = write_starter(folder, Starter(boundaries, parts, tracks, [*notes, *read.notes]))
    return _told(folder, farm, told)


def _texture(text: str) -> str:
    from trafficplan.errors import InputError, Problem
    from trafficplan.inputs.starter.ground import texture_of
    from trafficplan.soil.texture import TEXTURES

    if known := texture_of(text):
        return known
    needed = f"one of {', '.join(TEXTURES)}"
    raise InputError(Problem("unknown texture class", "--texture", text, needed, "write one of these"))


def _system(text: str) -> CRS:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    from trafficplan.errors import InputError, Problem

    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        needed = "a code such as EPSG:25832"
        raise InputError(
            Problem("unknown coordinate system", "--crs", text, needed, "look up the code of your map")
        ) from error


def _from_tracks(tracks: Sequence[Path], width: float | None) -> tuple[Boundaries, list[Note]]:
    """Return the ground that the tracks worked, one field for each piece of it."""
    import shapely

    from trafficplan.errors import InputError, Problem
    from trafficplan.farm.field import Field
    from trafficplan.inputs.fields import Boundaries
    from trafficplan.inputs.starter.tracks import logs_without_fields
    from trafficplan.names import Note
    from trafficplan.routes.logs import boundary_from_log

    if not tracks:
        raise InputError(
            Problem(
                "no boundary",
                "trafficplan new",
                "neither --boundary nor --tracks",
                "one of the two",
                "name a file",
            )
        )
    if width is None or not 0.5 <= width <= 60:
        found = "no --width" if width is None else f"{width:g} m"
        raise InputError(
            Problem(
                "the working width of the tracks is not known",
                "--width",
                found,
                "the width in metres, 0.5 to 60: the worked strips make the boundary",
                "add --width 6, or give the boundary with --boundary",
            )
        )
    logs, crs, lonlat = logs_without_fields(tracks)
    pieces = shapely.get_parts(shapely.union_all([boundary_from_log(log, width) for log in logs.values()]))
    fields = {
        f"Field {i}": Field(f"Field {i}", piece, "", float("nan"), None, (), ()) for i, piece in enumerate(pieces, 1)
    }
    note = Note(
        "warned",
        "field boundaries",
        f"{len(fields)} from {len(logs)} recorded track{'s' if len(logs) != 1 else ''}, {width:g} m wide",
        "the ground that was worked; look at it with check --map and mend fields.geojson where it is wrong",
    )
    return Boundaries(crs, fields, lonlat), [note]


def _told(folder: Path, farm: Any, notes: Sequence[Note]) -> dict[str, Any]:
    """Return the answer in numbers and in words."""
    fields = [{"field": key, "area_ha": round(one.polygon.area / 1e4, 4)} for key, one in farm.fields.items()]
    area = sum(one.polygon.area for one in farm.fields.values()) / 1e4
    unique = sorted(dict.fromkeys((*notes, *farm.notes)))
    assumed = [note.as_dict() for note in unique if note.kind == "assumed"]
    rest = [note.as_dict() for note in unique if note.kind != "assumed"]
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    lines = [
        f"{folder}: {len(fields)} field{'s' if len(fields) != 1 else ''}, {area:.2f} ha; soil units {', '.join(farm.soil_units)}"
    ]
    lines += [f"  {note['what']}: {note['value']} - {note['why']}" for note in rest]
    lines += [
        f"{len(assumed)} assumptions: trafficplan check {folder} lists them.",
        f"Look: trafficplan check {folder} --map {folder.name}.html",
        f"Then read {folder / 'README.md'}; every file explains itself.",
    ]
    result = {
        "folder": str(folder),
        "area_ha": round(area, 4),
        "fields": fields,
        "soils": list(farm.soil_units),
        "outfits": list(farm.outfits),
        "files": files,
    }
    return {"result": result, "assumptions": assumed, "warnings": rest, "text": "\n".join(lines)}
