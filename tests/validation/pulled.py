"""A weightless strip over a rough cylinder, one end held, the other pulled by a hand: shared by two tests of hands."""

from __future__ import annotations

import math

import numpy as np

from drapesim.matter.body import cylinder
from drapesim.mechanics.body_contact import prepare_body
from drapesim.settling.hands import start_hands

RADIUS, SPACING, ARM = 0.040, 0.004, 40  # ARM: links beyond each tangent point
MODULUS, STRAIN = 400.0, 0.02  # N/m, and what the hand's greatest force stretches an arm by
WAY, SPEED = 0.015, 0.02  # m to the target, twice as far as that force reaches; m/s


def wrap(card, angle):
    """(along, height) of the rows, unstretched: up one arm, round by about ``angle`` and down; and the true angle."""
    half = RADIUS + 0.5 * card.thickness
    radius = half / math.cos(0.51 * SPACING / half) + 2e-6  # of the nodes: the links, stretched later, clear the body
    turn = 2.0 * math.asin(0.5 * SPACING / radius)
    links = round(angle / turn)
    heading = 0.5 * links * turn - turn * np.clip(np.arange(2 * ARM + links) + 0.5 - ARM, 0.0, links)
    along = np.concatenate([[0.0], np.cumsum(np.cos(heading))]) * SPACING
    height = np.concatenate([[0.0], np.cumsum(np.sin(heading))]) * SPACING
    top = radius if links % 2 == 0 else radius * math.cos(0.5 * turn)
    return along - 0.5 * along[-1], height + top - height.max(), links * turn


def pull(card, cut_strip, direction, friction, angle):
    """(hands, strip, how the pull ended, wrap angle, greatest force N/m) of a pull along the far arm."""
    along, height, turned = wrap(card, angle)
    strip = cut_strip(direction, len(along) - 1, SPACING)
    start = strip.laid(along, height)
    field = prepare_body(cylinder(radius=RADIUS, length=0.1, n_segments=180))
    hands = start_hands(
        strip.lattice, card, field, np.array([friction]), start, strip.held_rows(0), 1, np.zeros(3)
    )  # fmt: skip
    edge = strip.lattice.uv[strip.rows[-1]]
    hands.take("end", tuple(map(tuple, edge[[0, -1]].tolist())), 1e-4)
    last = start[strip.rows[-1]].mean(axis=0)
    run = last - start[strip.rows[-2]].mean(axis=0)
    most = STRAIN * MODULUS
    ended = hands.drive("end", (last + WAY * run / np.linalg.norm(run))[None], most * strip.width, SPEED)
    return hands, strip, ended, turned, most
