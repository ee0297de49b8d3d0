"""The command `drapesim body places`: checks, shows and carries the landmarks and regions of a mesh."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drapesim.ground.outcome import InputError

if TYPE_CHECKING:
    from drapesim.jobs.places import Carried
    from drapesim.matter.regions import Named

EPILOG = """\
A places file names points and patches of a mesh, in mm in the mesh file's own axes and origin:

  snap_mm = 5                      # how far a point may lie off the surface
  [landmarks_mm]
  "nose tip" = [712, 0, 203]
  "left knee cap" = [-240, -96, 180]
  [[region]]                       # what a region states must all hold of a face's middle
  name = "face"
  landmark = "nose tip"            # at most this far from it along the surface
  radius_mm = 80
  [[region]]
  name = "front"
  through_mm = [0, 0, 100]         # a plane, and the side that is meant
  toward = [0, 0, 1]
  [[region]]
  name = "left knee"
  nearest = ["left knee cap"]      # its cell among all landmarks so named in the file
  reach_mm = 90

Also centre_mm with radius_mm (a ball), and low_mm with high_mm (a box).
"""


def add_places_command(kinds: Any) -> None:
    """Put `places` among the commands of `body`."""
    places = kinds.add_parser(
        "places", help="check, show or carry over landmarks and regions of a mesh", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Put the landmarks and regions of a places file on a mesh, tell how far each point was moved, draw "
                    "them, and with --onto carry them over to another mesh of the same body.",
    )  # fmt: skip
    places.add_argument("mesh", type=Path, nargs="?", metavar="MESH", help="PLY, STL, OBJ or GLB")
    places.add_argument("places", type=Path, nargs="?", metavar="PLACES", help="its places file (<MESH>.places.toml)")
    places.add_argument("--unit", metavar="U", help="of the mesh file's numbers: m, cm, mm, um, in, ft")
    places.add_argument("--onto", type=Path, metavar="MESH", help="another mesh of the body, in the same place")
    places.add_argument("--most-mm", type=float, default=5.0, metavar="D",
                        help="how far a landmark may move from mesh to mesh (5)")  # fmt: skip
    places.add_argument("--out", type=Path, metavar="FILE", help="places file to write (beside the mesh of --onto)")
    places.add_argument("--names", action="store_true", help="list the standard names and their synonyms")
    places.add_argument("--force", action="store_true", help="replace files")
    places.add_argument("--no-pictures", action="store_true", help="draw nothing")
    places.set_defaults(command=command_places)


def command_places(options: argparse.Namespace) -> int:
    """Check the places, tell, draw, and carry them over if asked."""
    from drapesim.jobs.places import carry_places, name_mesh, place_file, write_places
    from drapesim.matter.body import load_body

    if options.names:
        print("\n".join(tell_names()))
        return 0
    if options.mesh is None:
        raise InputError("", "body places", "no mesh is given", "give MESH and PLACES, or --names")
    if not 0.0 < options.most_mm <= 100.0:
        raise InputError("", "--most-mm", f"{options.most_mm:g} is out of range", "give more than 0 and at most 100")
    source = options.places or place_file(options.mesh)
    onto = options.onto
    out = options.out or (None if onto is None else place_file(onto))
    picture = (place_file(options.mesh) if out is None else out).with_suffix(".png")
    for path in (out, None if options.no_pictures else picture):
        if path is not None and path.exists() and not options.force:
            raise InputError(path, "--out", "the file is there already", "name another, or give --force to replace it")
    named = name_mesh(options.mesh, source, options.unit)
    print("\n".join(tell_places(named)))
    body, mesh, written = named.body, options.mesh, []
    if onto is not None:
        carried = carry_places(body, load_body(onto, unit=options.unit, up="z"), 1e-3 * options.most_mm, onto)
        print("\n".join(tell_carried(carried, onto)))
        body, mesh = carried.body, onto
    if out is not None:
        write_places(out, body, mesh)
        written.append(str(out))
    if not options.no_pictures:
        from drapesim.front.places_sheet import draw_places

        draw_places(body, picture, mesh.name)
        written.append(str(picture))
    if written:
        print(f"written: {', '.join(written)}")
    return 0


def tell_places(named: Named) -> list[str]:
    """The table of landmarks and regions."""
    from drapesim.jobs.places import measure_regions
    from drapesim.matter.anatomy import find_standard

    rows = [f"{'landmark':<24}{'x, y, z in mm':>26}{'moved':>11}  name"]
    for name, moved in zip(named.anchors.names, named.anchors.distance, strict=True):
        place = ", ".join(f"{round(1e3 * value, 1) + 0.0:.1f}" for value in named.body.landmarks[name])
        standard = find_standard(name)
        said = "standard" if standard == name else f"means {standard}" if standard else "not standard, used as written"
        rows.append(f"{name:<24}{place:>26}{1e3 * moved:>8.2f} mm  {said}")
    regions = measure_regions(named.body)
    if regions:
        rows.append(f"{'region':<24}{'faces':>12}{'area':>14}  name")
    for name, (count, area) in regions.items():
        said = "standard" if find_standard(name) else "not standard, used as written"
        rows.append(f"{name:<24}{count:>12}{1e4 * area:>10.1f} cm2  {said}")
    return rows + [f"note         {words}" for words in (*named.body.repairs, *named.notes)]


def tell_carried(carried: Carried, onto: Path) -> list[str]:
    """How far the places moved from mesh to mesh."""
    rows = [f"carried      onto {onto}, {len(carried.body.faces)} faces"]
    held = carried.anchors
    for name, distance in zip(held.names, held.distance, strict=True):
        rows.append(f"             {name}: {1e3 * distance:.2f} mm")
    if carried.body.region_names:
        most = 1e3 * carried.region_distance
        rows.append(
            f"regions      {len(carried.body.region_names)}, their faces within {most:.2f} mm of the other mesh"
        )
    if carried.lost:
        rows.append(f"LOST         no face is nearest to {', '.join(carried.lost)}: the mesh is too coarse for it")
    return rows


def tell_names() -> list[str]:
    """All standard names with their synonyms; [left, right] where there is one on each side."""
    from drapesim.matter.anatomy import PATCHES, POINTS

    rows = []
    for title, terms in (("Points", POINTS), ("Patches", PATCHES)):
        rows.append(f"{title}: put left or right before a name marked *")
        for term in terms:
            meaning = f" -- {term.meaning}" if term.meaning else ""
            rows.append(f"  {term.name}{'*' if term.is_paired else ''} ({', '.join(term.others)}){meaning}")
    return rows
