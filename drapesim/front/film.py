"""Film: the lay as moving pictures with the step in words under them, and as a strip of its stages.

GIF by Pillow; MP4 and WebM where PyAV is there (extra ``film``). One camera for all frames, a scale bar, no sound.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from drapesim.front.colours import INK, QUIET
from drapesim.front.labels import PAGE, draw_bar, lay_pixels, start_figure, write_figure
from drapesim.front.view import MISSING, Camera, Shot, draw_moving
from drapesim.ground.files import write_bytes
from drapesim.ground.outcome import InputError
from drapesim.settling.frames import FRAMES_FILE, Film

if TYPE_CHECKING:
    from drapesim.settling.archive import Run

Array = np.ndarray

COLUMNS = 800  # pixels, breadth of a film
HEAD, FOOT = 46, 40  # pixels over and under the picture
MOST_BYTES = 8_000_000  # of a GIF: mail and web pages take it
FRAMES = 110  # at most, before any are left out to make the file smaller
TICK, STOP, END = 0.09, 0.7, 2.0  # s that a frame is shown; the last one of a step; the last one of all
RATE = 25  # frames a second of MP4 and WebM: each picture of ours stands for several
COLOURS = 128  # of a GIF
KINDS = (".gif", ".mp4", ".webm")
CODECS = {".mp4": "libx264", ".webm": "libvpx-vp9"}
STAGES, ROOMY = 15, 9  # pictures of the strip at most; up to how many those midway in a step are added
FACES = "outer face pale, inner face dark; left, right, upper and lower as on the flat map"
STILL = 0.01  # m
LOST = 3.0  # m, of their middles
NEEDS_AV = "MP4 and WebM are made by PyAV: pip install 'drapesim[film]', or name a file that ends in .gif"


@dataclass(frozen=True)
class Chosen:
    """A frame that is shown: positions (n, 3) m on its lattice, words, for how long (s), share of the film done."""

    lattice: Any
    x: Array
    words: str
    stands: float
    done: float


def choose_frames(film: Film, run: Run | None, most: int = FRAMES) -> tuple[Chosen, ...]:
    """At most about ``most`` frames: more where more moves, and the last one of every step; ``run``'s sheet ends it.

    The cloth's way, by which frames are chosen, is the mean of what its nodes have moved since the frame before; a
    step counts for at least a twentieth of the whole, so that none is missed.
    """
    steps = split_steps(film.words)
    ways = []
    for first, last in steps:
        moved = np.linalg.norm(np.diff(film.x[first : last + 1].astype(np.float64), axis=0), axis=2).mean(axis=1)
        ways.append(np.concatenate([[0.0], np.cumsum(moved)]))
    total = sum(float(way[-1]) for way in ways) or 1.0
    chosen = []
    for (first, last), way in zip(steps, ways, strict=True):
        share = max(float(way[-1]) / total, 0.05)
        count = max(2, round(most * share))
        places = np.linspace(0.0, way[-1], count)
        picked = sorted({int(np.searchsorted(way, place - 1e-12)) for place in places} | {0, last - first})
        for k in picked:
            stands = STOP if k == last - first else TICK
            chosen.append(Chosen(film.lattice, film.x[first + k], film.words[first] or "the start", stands, 0.0))
    if run is not None and np.isfinite(run.x).all():
        words = "at rest, by the certificate" if run.certificate.settled else "UNSETTLED: it did not come to rest"
        chosen.append(Chosen(run.lattice, run.x, words, END, 1.0))
    most = max(1, len(chosen) - 1)
    return tuple(replace(each, done=number / most) for number, each in enumerate(chosen))


def split_steps(words: Sequence[str]) -> list[tuple[int, int]]:
    """(first, last) frame of each run of frames with the same words."""
    starts = [k for k in range(len(words)) if k == 0 or words[k] != words[k - 1]]
    return [(a, b - 1) for a, b in zip(starts, [*starts[1:], len(words)], strict=True)]


def place_camera(chosen: Sequence[Chosen], run: Run) -> Camera:
    """The report's slanting view, wide enough for the body and for all that the cloth passes through.

    Cloth that is farther from the body than `LOST` has fallen off and is let out of sight.
    """
    is_support = np.array([part.is_support for part in run.body.parts])
    figure = run.body.faces[~is_support[run.body.part]]
    seen = [run.body.vertices[np.unique(figure)]] if len(figure) else []
    way, up = np.array([0.45, 1.0, -0.72]), np.array([0.0, 0.0, 1.0])
    right = np.cross(way, up)
    axes = np.stack([right, np.cross(right, way), *np.eye(3)])  # of the picture, and of the world
    middle = seen[0].mean(axis=0) if seen else chosen[0].x.mean(axis=0)
    for each in chosen:
        x = each.x.astype(np.float64)
        if float(np.linalg.norm(x.mean(axis=0) - middle)) > LOST:
            continue
        along = x @ axes.T
        seen.append(x[np.concatenate([along.argmin(axis=0), along.argmax(axis=0)])])
    return Camera("film", run.title, tuple(way.tolist()), tuple(up.tolist()), np.concatenate(seen))


def write_film(path: Path, film: Film, run: Run, columns: int = COLUMNS, note: str = "") -> tuple[Path, str]:
    """Write ``film`` and ``run``'s rest to ``path``, a GIF, MP4 or WebM; returns the path and what was done in words.

    ``note``: said under every picture but the last.

    Raises `InputError` for another kind of file, where PyAV is missing, and where the system cannot draw.
    """
    kind = check_kind(path)
    chosen = choose_frames(film, run)
    camera = place_camera(chosen, run)
    shots = draw_moving([(each.lattice, each.x) for each in chosen], run.body, camera, columns)
    if shots is None:
        raise InputError(path, "", "the film cannot be drawn", MISSING)
    under = [note if note and k < len(chosen) - 1 else run.title for k in range(len(chosen))]
    pictures = [
        set_frame(shot, each.words, each.done, title) for shot, each, title in zip(shots, chosen, under, strict=True)
    ]
    stands = [each.stands for each in chosen]
    if kind == ".gif":
        content, pictures, stands = fit_gif(pictures, stands)
    else:
        content = encode(kind, pictures, stands)
    write_bytes(path, content)
    size = f"{len(content) / 1e6:.1f} MB"
    return path, f"{len(pictures)} pictures, {sum(stands):.0f} s, {pictures[0].shape[1]} pixels across, {size}"


def check_kind(path: Path) -> str:
    """The kind of film that ``path`` asks for; InputError for one that cannot be made here."""
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise InputError(path, "--out", "films are written as GIF, MP4 or WebM", "give a name that ends in .gif")
    if kind != ".gif":
        try:
            import av  # noqa: F401
        except ImportError:
            raise InputError(path, "--out", "PyAV is not installed", NEEDS_AV) from None
    return kind


def set_frame(shot: Shot, words: str, done: float, title: str) -> Array:
    """(h, w, 3) uint8: the shot with title and step over it, scale bar and how far the lay is under it."""
    from PIL import Image, ImageDraw

    rows, columns = shot.pixels.shape[:2]
    rows, even = rows - rows % 2, columns - columns % 2  # films want even sizes
    page = Image.new("RGB", (even, rows + HEAD + FOOT), "white")
    page.paste(Image.fromarray(shot.pixels[:rows, :even]), (0, HEAD))
    draw = ImageDraw.Draw(page)
    big, small = _font(15, bold=True), _font(12)
    draw.multiline_text(
        (12, 5), _fit(draw, words[:1].upper() + words[1:], big, even - 24), font=big, fill=INK, spacing=3
    )
    y = HEAD + rows
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
    length = max((s for s in steps if s / shot.metres_per_pixel < 0.25 * even), default=0.01)
    left, right = even - 12 - round(length / shot.metres_per_pixel), even - 12
    draw.line([(left, y + 8), (left, y + 14), (right, y + 14), (right, y + 8)], fill=INK, width=2)
    text = f"{1e3 * length:g} mm in the plane of the picture"
    left_of_text = right - draw.textlength(text, font=small)
    draw.text((left_of_text, y + 19), text, font=small, fill=INK)
    until = 0.5 * even
    draw.rectangle([12, y + 12, until, y + 16], fill="#e3e6ea")
    draw.rectangle([12, y + 12, 12 + (until - 12) * min(max(done, 0.0), 1.0), y + 16], fill=INK)
    note = f"{title[:1].upper()}{title[1:]}. Outer face pale, inner dark."
    draw.text((12, y + 19), _fit(draw, note, small, left_of_text - 24, 1), font=small, fill=QUIET)
    return np.asarray(page)


def _font(size: int, bold: bool = False) -> Any:
    import matplotlib
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)


def _fit(draw: Any, words: str, font: Any, room: float, lines: int = 2) -> str:
    """``words`` in at most so many ``lines`` of ``room`` pixels, cut with three dots where they are longer."""
    told = [""]
    for word in words.split():
        longer = f"{told[-1]} {word}".strip()
        if draw.textlength(longer, font=font) <= room:
            told[-1] = longer
        elif len(told) < lines:
            told.append(word)
        else:
            while told[-1] and draw.textlength(told[-1] + "...", font=font) > room:
                told[-1] = told[-1][:-1]
            told[-1] = told[-1].rstrip() + "..."
            break
    return "\n".join(told)


def fit_gif(
    pictures: list[Array], stands: list[float], most: int = MOST_BYTES
) -> tuple[bytes, list[Array], list[float]]:
    """(GIF of at most ``most`` bytes, the pictures and seconds in it): every other picture goes, then pixels do."""
    from PIL import Image

    content = encode_gif(pictures, stands)
    while len(content) > most and len(pictures) > 24:
        kept = [k for k in range(len(pictures)) if k % 2 == 0 or stands[k] > TICK * 2.0 or k == len(pictures) - 1]
        if len(kept) == len(pictures):
            break
        ends = [*kept[1:], len(pictures)]
        # the time of those left out goes to the one before
        stands = [sum(stands[a:b]) for a, b in zip(kept, ends, strict=True)]
        pictures = [pictures[k] for k in kept]
        content = encode_gif(pictures, stands)
    while len(content) > most:
        share = 0.92 * math.sqrt(most / len(content))
        size = (round(share * pictures[0].shape[1]), round(share * pictures[0].shape[0]))
        pictures = [np.asarray(Image.fromarray(each).resize(size, Image.Resampling.LANCZOS)) for each in pictures]
        content = encode_gif(pictures, stands)
    return content, pictures, stands


def encode_gif(pictures: Sequence[Array], stands: Sequence[float]) -> bytes:
    """A GIF that repeats for ever: one set of colours for all frames, so that what stands still is not stored again."""
    from PIL import Image

    few = [pictures[k] for k in np.unique(np.linspace(0, len(pictures) - 1, 6).astype(int))]
    palette = Image.fromarray(np.concatenate(few)).quantize(COLOURS, method=Image.Quantize.MEDIANCUT)
    frames = [Image.fromarray(each).quantize(palette=palette, dither=Image.Dither.NONE) for each in pictures]
    file = io.BytesIO()
    # GIF counts in hundredths of a second
    lasting = [10 * max(2, round(100 * seconds)) for seconds in stands]
    frames[0].save(
        file, "GIF", save_all=True, append_images=frames[1:], duration=lasting, loop=0, optimize=False, disposal=1
    )
    return file.getvalue()


def encode(kind: str, pictures: Sequence[Array], stands: Sequence[float]) -> bytes:
    """An MP4 (H.264) or WebM (VP9) film: each picture as often as it stands."""
    import av

    file = io.BytesIO()
    with av.open(file, "w", format=kind.removeprefix(".")) as container:
        stream = container.add_stream(CODECS[kind], rate=RATE)
        stream.height, stream.width = pictures[0].shape[:2]
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "24"} | ({"b:v": "0"} if kind == ".webm" else {})
        for picture, seconds in zip(pictures, stands, strict=True):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            for _ in range(max(1, round(seconds * RATE))):
                container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return file.getvalue()


def draw_stages(path: Path, film: Film, run: Run) -> Path | None:
    """Write the strip of stages as PNG: the start and the end of every step, in order, each with its words; None where
    the system cannot draw."""
    chosen = pick_stages(choose_frames(film, run))
    camera = place_camera(chosen, run)
    across = 2 if len(chosen) in (2, 4) else min(3, len(chosen))
    columns = int(2208 / across) - 24
    shots = draw_moving([(each.lattice, each.x) for each in chosen], run.body, camera, columns)
    if shots is None:
        return None
    told = list(shots)
    inch = PAGE / 2208
    rows = math.ceil(len(chosen) / across)
    tall = told[0].pixels.shape[0] * inch
    each_height, head, foot = tall + 0.45, 0.42, 0.45
    height = head + rows * each_height + foot
    figure = start_figure(height, "The lay, stage by stage")
    for k, (shot, stage) in enumerate(zip(told, chosen, strict=True)):
        row, column = divmod(k, across)
        left = (12 + column * (columns + 24)) * inch / PAGE
        bottom = (height - head - row * each_height - tall) / height
        axes = figure.add_axes((left, bottom, columns * inch / PAGE, tall / height))
        lay_pixels(axes, shot.pixels)
        axes.set(xlim=(0, columns), ylim=(shot.pixels.shape[0], 0))
        axes.axis("off")
        told_before = k > 1 and stage.stands <= TICK and chosen[k - 1].words == stage.words
        lines = wrap(f"{k + 1}  {'on the way' if told_before else stage.words}", int(columns * inch / 0.0625))
        words = "\n".join(lines[:2]) + ("..." if len(lines) > 2 else "")
        figure.text(left, bottom - 0.05 / height, words, fontsize=7.5, color=INK, va="top")
    bar = figure.add_axes((0.72, 0.02, 0.26, 0.4 / height))
    draw_bar(bar, told[0].metres_per_pixel / inch * 0.26 * PAGE, "in the plane of the picture")
    figure.text(0.012, 0.22 / height, FACES, fontsize=7.5, color=QUIET, va="center")
    return write_figure(figure, path)


def pick_stages(chosen: Sequence[Chosen]) -> tuple[Chosen, ...]:
    """The first frame, the last of every step, and the rest; where there is room, frames midway in the longest steps.

    A frame midway in which nothing has moved by more than `STILL` since the one before is left out, and so is the first
    step's end if it did not move. At most `STAGES` stay.
    """
    ends = [k for k, each in enumerate(chosen) if k == 0 or each.stands > TICK]
    while len(ends) < ROOMY:
        # frames are chosen by the cloth's way, so the most frames between two stages are the longest way
        widest = max(range(len(ends) - 1), key=lambda n: ends[n + 1] - ends[n])
        if ends[widest + 1] - ends[widest] < 12:
            break
        ends.insert(widest + 1, (ends[widest] + ends[widest + 1]) // 2)
    kept = [ends[0]]
    for k in ends[1:]:
        is_midway, is_first = chosen[k].stands <= TICK, kept == ends[:1]
        if not (is_midway or is_first) or k == len(chosen) - 1 or _has_moved(chosen[kept[-1]], chosen[k]):
            kept.append(k)
    if len(kept) > STAGES:
        kept = [kept[k] for k in np.unique(np.linspace(0, len(kept) - 1, STAGES).round().astype(int))]
    first, *rest = (chosen[k] for k in kept)
    rest = [each if each.stands > TICK else replace(each, words=f"{each.words}: on the way") for each in rest]
    return (replace(first, words="the start"), *rest)


def _has_moved(before: Chosen, now: Chosen) -> bool:
    if before.x.shape != now.x.shape:
        return True
    return float(np.linalg.norm(now.x.astype(np.float64) - before.x, axis=1).max()) > STILL


def has_film(folder: Path) -> bool:
    """Are there frames of a lay in the run folder?"""
    return (folder / FRAMES_FILE).is_file()
