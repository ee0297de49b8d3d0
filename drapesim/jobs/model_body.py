"""A realistic body from an open parametric body model, shaped and posed by a figure's form.

The model is anny (code Apache-2.0, data CC0; optional, never needed at run time): its skin is brought to the form's
sex, stature and mass, its bones are turned as our skeleton's segments, and what then runs through itself is made one
outside surface like any scan. Girths and other measures of the form are not met: the model has its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Any

import numpy as np

from drapesim.ground.files import write_bytes
from drapesim.ground.outcome import InputError
from drapesim.jobs.figure import write_posed
from drapesim.jobs.scan import ScanBody, ScanSettings, clean_scan
from drapesim.jobs.show import DENSITIES
from drapesim.matter.body import enclosed_volume
from drapesim.matter.body_repair import label_shells, sort_sides
from drapesim.matter.figure_form import FigureForm, read_figure
from drapesim.matter.model_bones import find_points, turn_bones
from drapesim.matter.nearest import find_on_mesh
from drapesim.matter.skeleton import place_skeleton
from drapesim.matter.slices_mesh import spell_ply

Array = np.ndarray
Say = Callable[[str], None]
Shape = tuple[float, float, float, float]

AGE = 2.0 / 3.0  # a grown adult; the model runs from newborn 0 to old 1
AVERAGE = 0.5  # of muscle, proportions and, before they are sought, of the others
FLESH = DENSITIES["flesh"][0]  # kg/m3
SETTINGS = ScanSettings(unit="m", up="z", cell=2.5e-3, is_rebuilt=True, largest_only=True)
HIDDEN = 4e-3  # m: a landmark farther from the finished surface has something lying on it
JOINTS = {"elbow": "lowerarm01", "wrist": "wrist", "knee": "lowerleg01", "ankle": "foot"}


@dataclass(frozen=True)
class ModelBody:
    """The cleaned ``scan`` of the posed model and its landmarks. ``stature`` m and ``mass`` kg are the model's own;
    ``hidden`` landmarks lie under something; ``aside``: a joint of our skeleton to how far (m) the model's lies off."""

    form: FigureForm
    scan: ScanBody
    stature: float
    mass: float
    hidden: tuple[str, ...]
    aside: Mapping[str, float]


class _Model:
    """The loaded model; a ``shape`` is sex (as in the form), height, weight and muscle, each 0 to 1."""

    def __init__(self) -> None:
        import torch
        import warp

        warp.config.quiet = True  # it would tell its devices on standard output
        import anny

        self.torch = torch
        self.model = anny.Anny(skinning_method="lbs", pose_parameterization="world-orient").to(dtype=torch.float32)
        faces = np.asarray(self.model.faces).astype(np.int32)
        n, label = label_shells(sort_sides(faces))
        self.all_faces = faces  # skin, eyes and tongue, each closed
        skin = faces[label == np.argmax(np.bincount(label, minlength=n))]
        self.used, compact = np.unique(skin, return_inverse=True)
        self.faces = compact.reshape(-1, 3).astype(np.int32)
        self.bones = list(self.model.bone_labels)

    def stand(self, shape: Shape) -> dict[str, Array]:
        """Skin (n, 3) m, and of each bone its joint ``heads`` (b, 3) and ``poses`` (b, 4, 4), standing."""
        out = self._run(self.torch.eye(4)[None, None].repeat(1, len(self.bones), 1, 1), shape)
        names = {"skin": "rest_vertices", "heads": "rest_bone_heads", "poses": "rest_bone_poses"}
        found = {name: out[its][0].numpy().astype(np.float64) for name, its in names.items()}
        return {**found, "skin": found["skin"][self.used]}

    def pose(self, shape: Shape, turned: Mapping[str, Array], poses: Array) -> tuple[Array, Array]:
        """All vertices (k, 3) m and joints (b, 3) m with each bone's directions ``turned``."""
        world = np.tile(np.eye(4), (len(self.bones), 1, 1))
        world[:, :3, :3] = np.stack([turned[bone] for bone in self.bones]) @ poses[:, :3, :3]
        out = self._run(self.torch.tensor(world, dtype=self.torch.float32)[None], shape)
        vertices, joints = out["vertices"][0].numpy(), out["bone_poses"][0].numpy()[:, :3, 3]
        return vertices.astype(np.float64), joints.astype(np.float64)

    def volume(self, shape: Shape) -> float:
        """Of the skin, m3."""
        return enclosed_volume(self.stand(shape)["skin"], self.faces)

    def _run(self, pose: Any, shape: Shape) -> Any:
        sex, height, weight, muscle = shape
        its = {"gender": 1.0 - sex, "age": AGE, "muscle": muscle, "weight": weight, "height": height}
        with self.torch.no_grad():
            return self.model(pose_parameters=pose, phenotype_kwargs={**its, "proportions": AVERAGE})


def make_model_body(path: Path, say: Say = lambda _: None) -> ModelBody:
    """Read the form, shape and pose the model, and close its surface.

    Raises InputError where the form is wrong or the model is not installed.
    """
    from trimesh.remesh import subdivide_loop

    form = read_figure(path)
    _need_model(path)
    say("loading the body model (the first time it builds its data, which takes a minute or two)")
    model = _Model()
    say("shaping and posing it")
    shape = _find_shape(model, form)
    standing = model.stand(shape)
    skeleton = place_skeleton(form.measures, form.angles, form.lie)
    heads = dict(zip(model.bones, standing["heads"], strict=True))
    vertices, joints = model.pose(shape, turn_bones(heads, skeleton.frames, form.angles), standing["poses"])
    place = dict(zip(model.bones, joints, strict=True))
    hips = 0.5 * (place["upperleg01.L"] + place["upperleg01.R"])
    vertices += np.array([-hips[0], -hips[1], -vertices[:, 2].min()])
    vertices, faces = subdivide_loop(vertices, model.all_faces, iterations=1)  # its edges are up to 70 mm long
    scan = _close(vertices, faces, form, say)
    points = find_points(standing["skin"], heads)
    marks = {name: vertices[model.used[number]] for name, number in points.items()}  # the old corners come first
    far, nearest, _ = find_on_mesh(np.array(list(marks.values())), scan.body.vertices, scan.body.faces)
    kept = {name: at for name, at, off in zip(marks, nearest, far, strict=True) if off <= HIDDEN}
    ours = 0.5 * (skeleton.joint("left hip") + skeleton.joint("right hip"))
    aside = {
        f"{word} {name}": float(
            np.linalg.norm(place[f"{bone}.{letter}"] - hips - skeleton.joint(f"{word} {name}") + ours)
        )
        for word, letter in (("left", "L"), ("right", "R"))
        for name, bone in JOINTS.items()
    }
    return ModelBody(
        form=form,
        scan=replace(scan, body=replace(scan.body, landmarks=MappingProxyType(kept))),
        stature=float(np.ptp(standing["skin"][:, 2])),
        mass=FLESH * model.volume(shape),
        hidden=tuple(name for name in marks if name not in kept),
        aside=MappingProxyType(aside),
    )


def _need_model(path: Path) -> None:
    from importlib.util import find_spec

    if find_spec("anny") is None:
        problem = "a realistic body needs the body model anny, which is not installed"
        raise InputError(path, "--realistic", problem, "pip install 'drapesim[body-model]', about 1.5 GB")


def _find_shape(model: _Model, form: FigureForm) -> Shape:
    """The shape that has the form's stature, and its mass as far as the model goes: by weight, then by muscle."""
    m = form.measures
    low, high = (float(np.ptp(model.stand((m.sex, end, AVERAGE, AVERAGE))["skin"][:, 2])) for end in (0.0, 1.0))
    height = (m.stature - low) / (high - low)  # the model's stature is linear in it
    if not 0.0 <= height <= 1.0:
        problem = f"the body model has no adult of {1e3 * m.stature:.0f} mm"
        raise form.document.error(("stature_mm",), problem, f"give {1e3 * low:.0f} to {1e3 * high:.0f}")

    def shape(share: float) -> Shape:  # from the lightest, 0, to the heaviest, 2
        return m.sex, height, min(share, 1.0), AVERAGE + (1.0 - AVERAGE) * max(share - 1.0, 0.0)

    def excess(share: float) -> float:
        return FLESH * model.volume(shape(share)) - m.mass

    if excess(0.0) >= 0.0:
        return shape(0.0)
    if excess(2.0) <= 0.0:
        return shape(2.0)
    from scipy.optimize import brentq

    return shape(float(brentq(excess, 0.0, 2.0, xtol=1e-4)))


def _close(skin: Array, faces: Array, form: FigureForm, say: Say) -> ScanBody:
    """One outside surface round the posed skin, which runs through itself where hands and thighs lie on something."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "model.ply"
        write_bytes(file, spell_ply(skin, faces, ()))
        try:
            scan = clean_scan(file, SETTINGS, say)
        except InputError as fault:
            raise InputError(form.document.path, fault.where, fault.problem, "try other angles") from fault
    assert scan.rebuilt is not None
    return replace(
        scan,
        source=form.document.path,
        rebuilt=replace(scan.rebuilt, why=("its parts run through each other",)),
        changes=tuple(
            words for words in scan.changes if "smaller shell" not in words
        ),  # the tongue, loose in the mouth
    )


def write_model_body(out: Path, made: ModelBody) -> Path:
    """Write the body as PLY in metres and its landmarks beside it; each whole or not at all. The places' file."""
    origin = f"open body model anny (data CC0), posed by {made.form.document.path.name}"
    return write_posed(out, made.scan.body, origin, made.form.lie)
