"""The image, told: a page in the report's style, pictures at scale, tables as CSV and arrays as NPZ."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drapesim.front.charts import tidy_axes
from drapesim.front.colours import INK, QUIET, WOOD
from drapesim.front.image_maps import (
    draw_angles,
    draw_distortion,
    draw_landmarks,
    draw_rebuilt,
    draw_regions,
    draw_strength_legend,
    draw_ways,
    say_way,
    tone_strength,
    write_at_scale,
)
from drapesim.front.image_photograph import draw_carried, photograph_body, read_texture, write_texture
from drapesim.front.labels import PAGE, draw_bar, lay_pixels, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, draw_body
from drapesim.front.wording import spell_figure, spell_mm
from drapesim.ground.files import PART, spell_csv, write_text
from drapesim.jobs.image import ImageStudy, LayImage, WayResult
from drapesim.judging.density import LOOK, GapStudy
from drapesim.judging.transfer import fall, print_points, print_regions
from drapesim.matter.sheet import halved
from drapesim.matter.surface import sample_nodes, sample_sheet

Array = np.ndarray

PAGE_FILE = "image.html"
PICTURES, FLAT = "pictures", "flat"
DRAWN = ("regions", "ways", "distortion", "angles", "landmarks", "carried", "density", "rebuilt", "body")
TABLES = ("regions.csv", "landmarks.csv", "features.csv", "density.csv", "bins.csv", "ranking.csv")
LAW_COLOURS = {"linear": "#a3123a", "exponential": "#7a3e9d", "cut-off": "#667080"}
ROWS = 24  # of a table on the page; the CSV holds all


def write_image(
    folder: Path,
    study: ImageStudy,
    with_pictures: bool = True,
    say: Callable[[str], None] = lambda _: None,
    texture: Path | None = None,
) -> Path:
    """Write tables, arrays, and with pictures the page, into ``folder``, which exists; returns the page's path.

    All is made in a folder beside it, and moved when whole; what an earlier call left is taken away then.
    ``texture``: what the body looks like, to carry to the flat map, see `image_photograph.read_texture`.
    """
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(dir=folder, prefix=".image", suffix=PART) as part:
        page = _write_all(Path(part), study, with_pictures, say, texture)
        _drop_earlier(folder)
        for path in sorted(Path(part).rglob("*")):
            goal = folder / path.relative_to(part)
            if path.is_dir():
                goal.mkdir(exist_ok=True)
            else:
                path.replace(goal)
    return folder / page.name


def _drop_earlier(folder: Path) -> None:
    """Take away what an earlier call left in ``folder``: its other ways and lays would pass for this call's."""
    import csv

    told = folder / "regions.csv"
    if not told.exists():
        return
    lays = {row[0] for row in csv.reader(told.read_text().splitlines()[1:]) if row}
    arrays = [folder / f"{_slug(lay)}.npz" for lay in lays]
    flat = [path for lay in lays for path in (folder / FLAT).glob(f"{_slug(lay)}-*.png")]
    pictures = [path for name in DRAWN for path in (folder / PICTURES).glob(f"[0-9]*-{name}.png")]
    for path in (*arrays, *flat, *pictures, *(folder / name for name in TABLES), folder / PAGE_FILE):
        path.unlink(missing_ok=True)


def _write_all(
    folder: Path, study: ImageStudy, with_pictures: bool, say: Callable[[str], None], texture: Path | None
) -> Path:
    for name, text in table_image(study).items():
        write_text(folder / name, text)
    for lay in study.lays:
        write_arrays(folder / f"{_slug(lay.name)}.npz", lay)
    if not with_pictures:
        return folder / "regions.csv"
    pictures, flat = folder / PICTURES, folder / FLAT
    pictures.mkdir(exist_ok=True)
    flat.mkdir(exist_ok=True)
    shown = []
    missing = ""
    for number, lay in enumerate(study.lays, start=1):
        say(f"drawing {lay.name}")
        for result in lay.results:
            write_at_scale(lay, result, flat / f"{_slug(lay.name)}-{_slug(result.way.name)}.png")
        result = lay.told
        photograph = photograph_body(lay.laid) if texture is None else read_texture(texture, lay)
        for each in lay.results if texture is not None else ():
            write_texture(lay, each, photograph, flat / f"{_slug(lay.name)}-{_slug(each.way.name)}-texture.png")
        made = {
            "ways": draw_ways(study, lay, pictures / f"{number}-ways.png"),
            "distortion": draw_distortion(lay, result, pictures / f"{number}-distortion.png"),
            "angles": draw_angles(lay, result, pictures / f"{number}-angles.png"),
            "carried": draw_carried(lay, result, photograph, pictures / f"{number}-carried.png"),
        }
        if lay.run.body.region_names:
            made["regions"] = draw_regions(lay, result, pictures / f"{number}-regions.png")
        if result.landmarks:
            made["landmarks"] = draw_landmarks(lay, result, pictures / f"{number}-landmarks.png")
        if lay.studies and lay.studies[0].bins:
            made["gaps"] = draw_curve(lay, pictures / f"{number}-density.png")
        if lay.rebuilt is not None:
            made["rebuilt"] = draw_rebuilt(lay, lay.rebuilt, pictures / f"{number}-rebuilt.png")
        views = draw_on_body(lay, result, pictures / f"{number}-body.png")
        if views is None:
            missing = MISSING
        else:
            made["body"] = views
        shown.append((lay, result, {name: _embed(path) for name, path in made.items()}))
    write_text(folder / PAGE_FILE, render(study, shown, missing))
    return folder / PAGE_FILE


def _slug(name: str) -> str:
    return "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in name)


def _embed(path: Path) -> str:
    return "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")


def draw_curve(lay: LayImage, path: Path) -> Path:
    """Mean density against gap with its intervals, and the fitted laws."""
    study = lay.studies[0]
    figure = start_figure(4.0, f"Density of the image against gap: {lay.name}")
    axes = figure.add_axes((0.08, 0.15, 0.62, 0.7))
    gap = np.linspace(0.0, LOOK, 400)
    for law in study.laws:
        dashed = "-" if law is study.laws[0] else (0, (4, 1.5))
        words = f"{law.law}: cut-off {1e3 * law.cut_off:.1f} mm, left over {law.rms:.3f}"
        axes.plot(1e3 * gap, law.full * fall(law.law, gap, law.reach), color=LAW_COLOURS[law.law], ls=dashed, lw=1.3,
                  label=words)  # fmt: skip
    at = np.array([0.5e3 * (row.low + row.high) for row in study.bins])
    mean = np.array([row.mean for row in study.bins])
    known = np.array([math.isfinite(row.least) for row in study.bins])
    low = np.array([row.mean - row.least for row in study.bins])
    high = np.array([row.most - row.mean for row in study.bins])
    whiskers = np.maximum([low[known], high[known]], 0.0)
    words = "mean of a band of gaps, 95 % interval"
    axes.errorbar(at[known], mean[known], whiskers, fmt="o", color=INK, ms=4, capsize=3, lw=1.0, label=words)
    axes.plot(at[~known], mean[~known], marker="o", ls="none", mfc="white", color=INK, ms=4)
    axes.set_xlabel("gap along the cloth's normal, mm", fontsize=8, color=INK)
    axes.set_ylabel("optical density above the cloth's own tone", fontsize=8, color=INK)
    axes.axhline(0.0, color=QUIET, lw=0.6)
    axes.set_xlim(0, 1e3 * LOOK)
    tidy_axes(axes)
    figure.legend(*axes.get_legend_handles_labels(), loc="upper left", bbox_to_anchor=(0.715, 0.86), fontsize=7,
                  frameon=False)  # fmt: skip
    note = "open: too few blocks\nof cloth for an interval"
    figure.text(0.725, 0.45, note, fontsize=7, color=QUIET, va="top")
    return write_figure(figure, path)


def draw_on_body(lay: LayImage, result: WayResult, path: Path) -> Path | None:
    """The flat image laid back on the settled sheet and on the body: the observed one, or else the predicted."""
    laid, run = lay.laid, lay.run
    fine = run.lattice
    while max(fine.spacing_u, fine.spacing_v) > 4e-3:
        fine = halved(fine)
    points, _ = sample_sheet(run.lattice, run.x, fine.uv)
    middle = fine.uv[fine.triangles].mean(axis=1)
    surface = laid.field.surface
    kept = np.sort(np.concatenate([laid.field.tree.order, laid.field.tree.large]))
    faces = surface.faces[kept]
    printed = print_points(laid, result.source, surface.vertices[faces].mean(axis=1), miss=4e-3)
    there = np.isfinite(printed.uv).all(axis=1) & (printed.strength > 0.0)
    colours = np.tile(_rgb(WOOD), (len(faces), 1))
    colours[there] = _read_tone(lay, result, printed.uv[there])
    sheet = _read_tone(lay, result, middle)
    used, local = np.unique(faces, return_inverse=True)
    body = surface.vertices[used]
    frame = np.concatenate([run.x, body])
    slant, up = (0.45, 1.0, -0.72), (0.0, 0.0, 1.0)
    first = draw_body(points, fine.triangles, (Camera("sheet", "", slant, up, frame),), sheet)
    if first is None:
        return None
    second = draw_body(body, local.reshape(-1, 3), (Camera("body", "", slant, up, body),), colours)
    assert second is not None
    kind = "density of the observed" if lay.density is not None else "predicted"
    laid_back = f"the same laid back on the body ({say_way(result.way)}); wood: no image"
    shots = [(first[0], f"the {kind} image on the settled sheet, outer side up"), (second[0], laid_back)]
    heights = [shot.pixels.shape[0] * PAGE / shot.pixels.shape[1] for shot, _ in shots]
    height = 0.35 + sum(heights) + 0.75 * len(shots) + 0.15
    figure = start_figure(height, f"The image back on sheet and body: {lay.name}")
    top = height - 0.4
    for (shot, words), tall in zip(shots, heights, strict=True):
        figure.text(0.012, top / height, words, fontsize=8.5, color=INK, va="top")
        axes = figure.add_axes((0.0, (top - 0.2 - tall) / height, 1.0, tall / height))
        lay_pixels(axes, shot.pixels)
        axes.axis("off")
        bar = figure.add_axes((0.72, (top - 0.55 - tall) / height, 0.26, 0.4 / height))
        draw_bar(bar, shot.metres_per_pixel * shot.pixels.shape[1] * 0.26, "in the plane of the picture")
        wedge = figure.add_axes((0.012, (top - 0.65 - tall) / height, 0.5, 0.5 / height))
        full = (
            "print, share of full (1)" if lay.density is None else "density, share of that of the darkest fiftieth (1)"
        )
        draw_strength_legend(wedge, full)
        top -= tall + 0.75
    return write_figure(figure, path)


def _rgb(colour: str) -> Array:
    from matplotlib.colors import to_rgb

    return np.array(to_rgb(colour))


def _read_tone(lay: LayImage, result: WayResult, uv: Array) -> Array:
    """(n, 3) in 0..1: the tone of the flat image at ``uv`` (n, 2) m: the observed density if known, else the print."""
    values = result.source.strength
    if lay.density is not None:  # as dark as the darkest fiftieth is full
        values = lay.density / max(float(np.nanpercentile(lay.density, 98.0)), 1e-6)
    return tone_strength(sample_nodes(lay.laid.lattice, values, uv)) / 255.0


def write_arrays(path: Path, lay: LayImage) -> None:
    """All ways of one lay at the places where it is printed (`transfer.FINE`), units in the names: u_mm, v_mm, and for
    each way its strength (0..1), gap_mm, body_m (x, y, z) and region (number, -1 none; names in ``regions``)."""
    arrays: dict[str, Array] = {"u_mm": 1e3 * lay.laid.lattice.uv[:, 0], "v_mm": 1e3 * lay.laid.lattice.uv[:, 1],
                                "regions": np.array(lay.run.body.region_names, dtype=str)}  # fmt: skip
    for result in lay.results:
        key, source = _slug(result.way.name), result.source
        arrays |= {f"{key}/strength": source.strength, f"{key}/gap_mm": 1e3 * source.gap, f"{key}/body_m": source.point,
                   f"{key}/region": print_regions(source, lay.run.body.region)}  # fmt: skip
    if lay.density is not None:
        arrays["density"] = lay.density
    if lay.rebuilt is not None:
        arrays["rebuilt_gap_mm"] = 1e3 * lay.rebuilt.gap
    with io.BytesIO() as buffer:
        np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
        path.write_bytes(buffer.getvalue())


REGION_COLUMNS = (
    "lay", "way", "region", "flat_cm2", "body_cm2", "photo_cm2", "wider_than_body_percent", "longer_than_body_percent",
    "wider_than_photo_percent", "longer_than_photo_percent", "area_over_body", "area_over_photo", "angle_deg",
    "photo_angle_deg", "asymmetry",
)  # fmt: skip
LANDMARK_COLUMNS = ("lay", "way", "landmark", "u_mm", "v_mm", "strength", "miss_mm", "residual_u_mm", "residual_v_mm",
                    "fit_scale", "fit_turn_deg", "fit_rms_mm")  # fmt: skip
FEATURE_COLUMNS = (
    "lay", "way", "mark", "place", "lands_on", "u_mm", "v_mm", "expected_u_mm", "expected_v_mm", "off_mm",
    "lost_percent", "wider_than_body_percent", "longer_than_body_percent", "wider_than_photo_percent",
    "longer_than_photo_percent",
)  # fmt: skip
LAW_COLUMNS = (
    "lay", "region", "places", "rank_correlation", "rank_low", "rank_high", "law", "reach_mm", "reach_low_mm",
    "reach_high_mm", "cut_off_mm", "full_density", "rms_density", "chosen_share",
)  # fmt: skip
BIN_COLUMNS = ("lay", "region", "gap_low_mm", "gap_high_mm", "density", "density_low", "density_high", "places",
               "blocks")  # fmt: skip
SCORE_COLUMNS = ("lay", "way", "correlation", "low", "high", "overlap", "landmark_rms_mm", "landmarks", "first_share",
                 "behind", "behind_low", "behind_high")  # fmt: skip


def table_image(study: ImageStudy) -> dict[str, str]:
    """File name -> CSV text: regions, landmarks, features; with an observed map density, bins, and the ranking."""
    regions, landmarks, features, laws, bins = [], [], [], [], []
    for lay in study.lays:
        for result in lay.results:
            head = [lay.name, result.way.name]
            for row in result.regions:
                numbers = (1e4 * row.flat, 1e4 * row.body, 1e4 * row.photo, 100 * row.widening, 100 * row.lengthening,
                           100 * row.photo_widening, 100 * row.photo_lengthening, row.area_factor, row.photo_factor,
                           math.degrees(row.angle), math.degrees(row.photo_angle), row.asymmetry)  # fmt: skip
                regions.append([*head, row.name, *map(_number, numbers)])
            fit = result.fit
            fitted = (math.nan,) * 3 if fit is None else (fit.scale, math.degrees(fit.turn_angle), 1e3 * fit.rms)
            for mark in result.landmarks:
                values = (*(1e3 * mark.uv), mark.strength, 1e3 * mark.miss, *(1e3 * mark.residual), *fitted)
                landmarks.append([*head, mark.name, *map(_number, values)])
            for feature in result.features:
                landed = "; ".join(f"{name} {100 * share:.0f} %" for name, share in feature.landed)
                numbers = (*(1e3 * feature.centre), *(1e3 * feature.expected), 1e3 * feature.off, 100 * feature.lost,
                           100 * feature.widening, 100 * feature.lengthening, 100 * feature.photo_widening,
                           100 * feature.photo_lengthening)  # fmt: skip
                features.append([*head, feature.mark, feature.place, landed, *map(_number, numbers)])
        for each in lay.studies:
            start = [lay.name, each.name, str(each.nodes), *map(_number, (each.rank, each.least, each.most))]
            for law in each.laws:
                lengths = (1e3 * length for length in (law.reach, law.least, law.most, law.cut_off))
                laws.append([*start, law.law, *map(_number, (*lengths, law.full, law.rms, law.chosen))])
            for band in each.bins:
                edges = 1e3 * band.low, 1e3 * band.high
                found = (*edges, band.mean, band.least, band.most, float(band.nodes), float(band.blocks))
                bins.append([lay.name, each.name, *map(_number, found)])
    tables = {
        "regions.csv": spell_csv(REGION_COLUMNS, regions),
        "landmarks.csv": spell_csv(LANDMARK_COLUMNS, landmarks),
        "features.csv": spell_csv(FEATURE_COLUMNS, features),
    }  # fmt: skip
    if study.observed is not None:
        tables["density.csv"] = spell_csv(LAW_COLUMNS, laws)
        tables["bins.csv"] = spell_csv(BIN_COLUMNS, bins)
        rows = []
        for s in study.scores:
            likeness = (s.correlation, s.least, s.most, s.overlap, 1e3 * s.landmark_rms, s.landmarks, s.first, s.behind)
            rows.append([s.lay, s.way, *map(_number, (*likeness, s.behind_least, s.behind_most))])
        tables["ranking.csv"] = spell_csv(SCORE_COLUMNS, rows)
    return tables


def _number(value: float) -> str:
    return f"{value:.4f}" if math.isfinite(value) else ""


def render(study: ImageStudy, shown: Sequence[tuple[LayImage, WayResult, dict[str, str]]], missing: str) -> str:
    """The page's HTML; ``shown``: each lay, the way told in full, and its pictures' addresses."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    page = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("image.html.j2")  # fmt: skip
    names = [lay.name for lay in study.lays]
    return page.render(
        title=" / ".join(dict.fromkeys(lay.run.title for lay in study.lays)),
        names=names,
        unsettled=[lay.name for lay in study.lays if not lay.run.certificate.settled],
        ways=[(result.way.name, say_way(result.way)) for result in study.lays[0].results],
        observed=None if study.observed is None else study.observed.file,
        weave=None if study.density is None else f"{1e3 * study.density.weave:g}",
        notes=study.notes,
        scores=study.scores,
        doubt=spell_doubt(study),
        lays=[_tell(lay, result, pictures) for lay, result, pictures in shown],
        missing=missing,
        mm=spell_mm,
        figure=spell_figure,
        rows=ROWS,
    )


def spell_doubt(study: ImageStudy) -> str:
    """One sentence: which prediction resembles the observed map most, and whether others do as well."""
    if not study.scores or not math.isfinite(study.scores[0].correlation):
        return "No prediction resembles the observed map." if study.observed is not None else ""
    best, *rest = study.scores
    if best.correlation <= 0.0 or best.least <= 0.0:
        words = f"highest, that of {best.lay} by {best.way}, is {best.correlation:.2f}"
        doubt = f" ({best.least:.2f} to {best.most:.2f})" if math.isfinite(best.least) else ""
        return f"No prediction resembles the observed map: of the correlations the {words}{doubt}."
    near = [s for s in rest if not (math.isfinite(s.behind_least) and s.behind_least > 0.0)]
    words = f"Of {len(study.scores)} predictions, that of {best.lay} by {best.way} resembles the observed map most"
    words += f" (correlation {best.correlation:.2f})"
    if near:
        named = ", ".join(f"{s.lay} by {s.way}" for s in near[:4]) + (" and others" if len(near) > 4 else "")
        return f"{words}; not told apart from it: {named}."
    return f"{words}, and is told apart from all others." if rest else f"{words}; no other was tried."


def _tell(lay: LayImage, result: WayResult, pictures: dict[str, str]) -> dict[str, Any]:
    return {
        "name": lay.name,
        "way": say_way(result.way),
        "seen": "seen from the side that faces the body: a mirror image of the body seen from above."
        if lay.laid.lattice.inner_sign < 0
        else "seen from the outer side.",
        "pictures": pictures,
        "regions": result.regions,
        "landmarks": [row for row in result.landmarks if np.isfinite(row.uv).all()],
        "unprinted": [row.name for row in result.landmarks if not np.isfinite(row.uv).all()],
        "fit": result.fit,
        "features": result.features,
        "study": lay.studies[0] if lay.studies else None,
        "by_region": sorted(lay.studies[1:], key=lambda each: -each.nodes),
        "rebuilt": lay.rebuilt,
        "best_law": _best(lay.studies[0]) if lay.studies else None,
    }


def _best(study: GapStudy) -> Any:
    return study.laws[0] if study.laws and study.laws[0].full > 0.0 else None
