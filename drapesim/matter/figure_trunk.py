"""Trunk, neck and head of the demo figure as solids, in the carving frame of ``figure`` (stature 1.70 m).

All breadths, depths and places (m) are the carver's own, chosen by eye; only the heights of shoulder, hip and chin
come from the segment table that ``figure`` names.
"""

from __future__ import annotations

import numpy as np

from drapesim.matter.solid import Cut, Ellipsoid, Loft, RoundCone, Solid, Union

Array = np.ndarray
Triple = tuple[float, float, float]

SIDES = ((-1.0, "left"), (1.0, "right"))


def carve_trunk(girth: float, shoulder_x: float) -> Solid:
    """Pelvis to neck base; ``girth`` scales breadth and depth, ``shoulder_x`` is the height of the shoulders (m)."""
    # x, half breadth, back, front: from the crotch up to the root of the neck
    table = np.array([
        [0.815, 0.125, 0.020, 0.165], [0.860, 0.160, 0.006, 0.192], [0.910, 0.164, 0.001, 0.205],
        [0.960, 0.160, 0.004, 0.209], [1.010, 0.146, 0.015, 0.205], [1.060, 0.137, 0.024, 0.198],
        [1.110, 0.138, 0.026, 0.198], [1.160, 0.146, 0.019, 0.207], [1.210, 0.157, 0.010, 0.217],
        [1.260, 0.165, 0.004, 0.222], [1.310, 0.167, 0.002, 0.220], [1.350, 0.158, 0.005, 0.205],
        [1.390, 0.122, 0.014, 0.176], [1.425, 0.075, 0.030, 0.150],
    ])  # fmt: skip
    table[:, 0] += shoulder_x - 1.3906
    g = girth
    trunk = Loft(
        origin=np.zeros(3), axes=np.eye(3), stations=table[:, 0], half_breadth=table[:, 1] * g,
        low=table[:, 2] * g, high=table[:, 3] * g, power=2.35, caps=(0.05, 0.03),
        region_stops=((0.95, "pelvis", "buttocks"), (1.15, "abdomen", "lower back"), (9.0, "chest", "upper back")),
    )  # fmt: skip
    x = shoulder_x
    lumps: list[Solid] = [trunk]
    for side, word in SIDES:
        lumps += [
            # shoulder cap, shoulder slope, breast muscle, lower rib edge, shoulder blade, buttock, hip bone
            Ellipsoid((x - 0.030, side * 0.178 * g, 0.094 * g), (0.068, 0.054 * g, 0.058 * g), f"{word} shoulder"),
            RoundCone((x + 0.050, side * 0.035, 0.085 * g), (x + 0.002, side * 0.160 * g, 0.092 * g), 0.044, 0.044,
                      f"{word} shoulder"),
            Ellipsoid((x - 0.100, side * 0.084 * g, 0.178 * g), (0.068, 0.078 * g, 0.030 * g), "chest",
                      _turned_about_z(side * 0.25)),
            RoundCone((x - 0.225, side * 0.040 * g, 0.176 * g), (x - 0.290, side * 0.105 * g, 0.142 * g), 0.034, 0.030,
                      "chest"),
            Ellipsoid((x - 0.100, side * 0.085 * g, 0.034 * g), (0.075, 0.055 * g, 0.030 * g), "upper back"),
            Ellipsoid((x - 0.505, side * 0.078 * g, 0.060 * g), (0.085, 0.076 * g, 0.060 * g), "buttocks"),
            Ellipsoid((x - 0.415, side * 0.118 * g, 0.165 * g), (0.030, 0.022, 0.022), "pelvis"),
        ]  # fmt: skip
    body: Solid = Union(tuple(lumps), 0.030)
    bones = tuple(
        RoundCone((x + 0.006, side * 0.022, 0.152 * g), (x + 0.010, side * 0.150 * g, 0.128 * g), 0.011, 0.011, "chest")
        for side, _ in SIDES
    )
    body = Union((body, *bones), 0.016)
    navel = Ellipsoid((x - 0.365, 0.0, 0.212 * g), (0.011, 0.008, 0.016))
    hollow = RoundCone((x - 0.010, 0.0, 0.236 * g), (x - 0.190, 0.0, 0.252 * g), 0.026, 0.026)  # along the breastbone
    notch = Ellipsoid((x + 0.022, 0.0, 0.180), (0.012, 0.013, 0.016))  # between the collar bones
    for tool, blend in ((hollow, 0.020), (navel, 0.010), (notch, 0.014)):
        body = Cut(body, tool, blend)
    return body


def _turned_about_z(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


class HeadFrame:
    """Places in head coordinates (up from the chin, to the right, forward from the back of the head) in the world."""

    def __init__(self, chin_x: float, nod: float) -> None:
        c, s = np.cos(nod), np.sin(nod)
        self.axes = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
        self.pivot = np.array([0.070, 0.0, 0.085])
        # The nod turns the head about the top of the neck; the back of the skull stays down.
        back = (np.array([0.135, 0.0, 0.098]) - self.pivot) @ self.axes
        self.base = np.array([chin_x + self.pivot[0], 0.0, 0.0980 - back[2]])

    def at(self, up: float, right: float, forward: float) -> Array:
        """World place (3,) m."""
        return self.base + (np.array([up, right, forward]) - self.pivot) @ self.axes

    def within(self, points: Array) -> Array:
        """Head coordinates (n, 3) of world points: the inverse of ``at``."""
        return (points - self.base) @ self.axes.T + self.pivot


def carve_head(head: HeadFrame, shoulder_x: float, girth: float) -> Solid:
    """Neck, skull, face and ears."""
    at = head.at
    neck_low = np.array([shoulder_x + 0.020, 0.0, 0.090])
    neck = Union(
        (
            RoundCone(neck_low, at(0.075, 0.0, 0.082), 0.060 * girth, 0.056 * girth, "neck"),
            RoundCone(neck_low + np.array([0.0, 0.0, 0.026]), at(0.018, 0.0, 0.118), 0.040 * girth, 0.036, "neck"),
        ),
        0.030,
    )
    return carve_skull(head, neck)


def carve_skull(head: HeadFrame, neck: Solid) -> Solid:
    """Skull, face and ears on a ``neck``."""
    axes, at = head.axes, head.at

    def lump(place: Triple, semi: Triple, region: str) -> Ellipsoid:
        return Ellipsoid(at(*place), semi, region, axes)

    def rod(a: Triple, b: Triple, ra: float, rb: float, region: str) -> RoundCone:
        return RoundCone(at(*a), at(*b), ra, rb, region)

    # up, half breadth, back, front of the face block
    table = np.array([
        [0.006, 0.026, 0.120, 0.175], [0.025, 0.044, 0.095, 0.180], [0.050, 0.057, 0.070, 0.181],
        [0.080, 0.065, 0.055, 0.183], [0.105, 0.068, 0.045, 0.185], [0.130, 0.067, 0.040, 0.187],
        [0.160, 0.058, 0.045, 0.177],
    ])  # fmt: skip
    face = Loft(
        origin=at(0.0, 0.0, 0.0), axes=axes, stations=table[:, 0], half_breadth=table[:, 1], low=table[:, 2],
        high=table[:, 3], power=2.2, caps=(0.014, 0.03),
        region_stops=((0.030, "chin", "neck"), (0.122, "face", "back of head"), (9.0, "forehead", "back of head")),
    )  # fmt: skip
    skull = Ellipsoid(at(0.133, 0.0, 0.097), (0.088, 0.0755, 0.097), "back of head", axes)
    crown = Ellipsoid(at(0.152, 0.0, 0.088), (0.066, 0.0775, 0.082), "back of head", axes)
    bulk: list[Solid] = [skull, crown, face]
    for side, _ in SIDES:
        bulk += [
            rod((0.010, side * 0.018, 0.160), (0.052, side * 0.050, 0.088), 0.015, 0.013, "jaw"),
            rod((0.052, side * 0.050, 0.088), (0.095, side * 0.060, 0.082), 0.013, 0.011, "jaw"),
        ]
    solid: Solid = Union((Union(tuple(bulk), 0.022), neck), 0.022)
    relief: list[Solid] = [
        lump((0.012, 0.0, 0.176), (0.016, 0.020, 0.014), "chin"),
        lump((0.0530, 0.0, 0.1825), (0.0065, 0.0235, 0.0085), "mouth"),
        lump((0.0385, 0.0, 0.1825), (0.0070, 0.0200, 0.0085), "mouth"),
    ]
    for side, _ in SIDES:
        relief += [
            rod((0.124, side * 0.016, 0.183), (0.121, side * 0.048, 0.164), 0.0095, 0.0085, "forehead"),
            lump((0.086, side * 0.044, 0.156), (0.022, 0.020, 0.018), "face"),
            lump((0.052, side * 0.026, 0.166), (0.030, 0.022, 0.014), "face"),
        ]
    solid = Union((solid, *relief), 0.011)
    for side, _ in SIDES:
        solid = Cut(solid, lump((0.107, side * 0.0335, 0.196), (0.013, 0.019, 0.020), ""), 0.012)
    fine: list[Solid] = [
        rod((0.124, 0.0, 0.1850), (0.081, 0.0, 0.2030), 0.0085, 0.0090, "nose"),
        rod((0.084, 0.0, 0.194), (0.075, 0.0, 0.194), 0.011, 0.0095, "nose"),
    ]
    for side, _ in SIDES:
        fine += [
            lump((0.0770, side * 0.0105, 0.1925), (0.0080, 0.0065, 0.0080), "nose"),
            lump((0.1060, side * 0.0325, 0.1690), (0.0095, 0.0150, 0.0105), "face"),
        ]
    solid = Union((solid, *fine), 0.006)
    ears = tuple(
        Ellipsoid(at(0.096, side * 0.0735, 0.083), (0.031, 0.0085, 0.018), "ear", _leant(axes, side))
        for side, _ in SIDES
    )
    return Union((solid, *ears), 0.006)


def _leant(axes: Array, side: float) -> Array:
    """Ear axes: top leant back, rear edge standing out a little from the skull."""
    c, s = np.cos(0.2), np.sin(0.2)
    lean = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
    c, s = np.cos(0.35), np.sin(0.35)
    flare = np.array([[1.0, 0.0, 0.0], [0.0, c, side * s], [0.0, -side * s, c]])
    return flare @ lean @ axes
