"""The attitude that landmarks on a flat map imply: stature and joint angles by least squares, and what the map allows.

Unknown are the stature, the joint angles that move any of the landmarks, how this body's proportions differ from the
handbook's, and the turn and shift of each map. Minimised, within the ranges of the joints, is the sum of

    ((map - figure) / sd)^2 over the landmarks laid flat by a model (`lay_models`),
  + ((stature - stated) / its sd)^2 + (log proportion / its sd)^2,
  + (what a part lies lower than the support, or hovers above what may carry it, / 20 mm)^2 (`GUARDS`),
  + ((angle - at ease) / sd of an even spread over the joint's range)^2,

by scipy's least_squares from several starts. The last term is weak and decides only what the map leaves open: of
attitudes that fit alike, the one nearest to ease is shown.

What the map allows is asked of each angle by itself (profile likelihood): it is held at a value, all else is fitted
anew without the last term, and the value is allowed if the sum rises by no more than 3.84, the 95 % point of chi square
with one degree of freedom; by more where the fit is worse than the stated sd (times the mean square of misfit over sd).
An angle is called determined or not by how wide that is beside its range, never because a fit gave a number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from drapesim.ground.outcome import InputError
from drapesim.judging.attitude_slopes import find_carrying, find_slopes
from drapesim.judging.lay_models import Lay, MapView, Placing, fit_placing, lay_flat, slope_flat, weave
from drapesim.matter.joint_ranges import lie_at_ease, list_limits
from drapesim.matter.measures import STATURES, BodyMeasures, find_measures
from drapesim.matter.skeleton import ANGLE_NAMES, JointAngles, Lie, Skeleton, place_skeleton

Array = np.ndarray
Show = Callable[[int, int], None]

LEAST_LANDMARKS = 5
LEAST_EXTENT, MOST_EXTENT = 0.3, 3.5  # m, of the landmarks on a map
STARTS = 8
TRIES = 60  # steps at most of a fit from afar
NEAR_TRIES = 8  # of one that starts beside its end
ALLOWED = 3.84  # 95 % point of chi square with one degree of freedom
CLOSE = 0.03  # of its reach, to which the end of what is allowed is found

# Lengths that are let vary beside the stature. Their sd among adults of one stature: from memory, 3 to 4 %.
PROPORTIONS = ("upper arm", "forearm", "hand", "shin", "leg", "shoulders", "foot")
PROPORTIONS_SD = 0.035
SHAPED = (
    "upper_arm_length",
    "forearm_length",
    "hand_length",
    "knee_height",
    "trochanter_height",
    "crotch_height",
    "buttock_height",
    "biacromial_breadth",
    "foot_length",
)  # the measures that they change

# Heights above the support over which a part of a body at rest does not hover, m; TOP: of the trunk's front. Nothing
# lies lower than the support. By eye: hands lie on the body, a head on a pillow, heels down.
TOP = 1.0
GUARDS = (("back of head", 0.15), *((f"{side} {part}", most) for side in ("left", "right") for part, most in (
    ("elbow", TOP), ("wrist", TOP + 0.06), ("knuckle", TOP + 0.08), ("middle fingertip", TOP + 0.08), ("heel", 0.12),
    ("toe tip", 0.45), ("knee cap", 0.60))))  # fmt: skip
GUARD_SD = 0.02  # m
UNIT = 1.7  # m, the stature of figures from which shares of it are taken

DETERMINED, LOOSELY, OPEN, UNSEEN = "determined", "loosely", "not determined", "not seen"
NARROW = np.radians(30.0)  # an angle is determined if what the map allows is no wider than this ...
SHARE, LOOSE_SHARE = 0.5, 0.75  # ... and than this share of the joint's range; or else loosely so. Our convention


@dataclass(frozen=True)
class Question:
    """What is asked: the maps with their landmarks, and what is taken as known of the body.

    stature (mean, sd) m; sex as in `find_measures`; ``proportions_sd`` relative, 0 holds the handbook's.
    """

    views: tuple[MapView, ...]
    lie: Lie = "supine"
    sex: float = 0.5
    stature: tuple[float, float] = (1.714, 0.15)
    proportions_sd: float = PROPORTIONS_SD
    at_rest: bool = True  # no part hovers above what may carry it (`GUARDS`)


@dataclass(frozen=True)
class Attitude:
    """The answer under one lay model.

    ``angles``, ``measures``: of the best fit. low, high (34,) rad: what the map allows, in the order of ANGLE_NAMES;
    ``known``: DETERMINED, LOOSELY, OPEN, or UNSEEN where no landmark depends on the angle. stature (best, low, high) m.
    predicted, misfit: for each map (n, 2) m, the figure's landmarks there, and map less figure; ``rms`` m of all.
    ``free``: how many of the map's numbers are left to test the model, after those that place it and the ``used`` ones
    that shape the figure. ``chi``: root of the sum of squares of misfit over sd, over ``free``; nan if that is below 1.
    ``others``: skeletons at the ends of what is allowed, for showing the spread, and ``turns`` (k + 1,) rad by which
    the best one and each of these lies turned on the first map.
    """

    lay: Lay
    question: Question
    angles: JointAngles
    measures: BodyMeasures
    low: Array
    high: Array
    known: tuple[str, ...]
    stature: tuple[float, float, float]
    stature_known: str
    placings: tuple[Placing, ...]
    predicted: tuple[Array, ...]
    misfit: tuple[Array, ...]
    rms: float
    chi: float
    free: float
    used: float
    skeleton: Skeleton
    others: tuple[Skeleton, ...]
    turns: Array


def check_question(question: Question, file: object = "") -> None:
    """`InputError` where the landmarks cannot carry an attitude at all."""
    n = sum(len(view.names) for view in question.views)
    if n < LEAST_LANDMARKS:
        problem = f"{n} landmark{' is' if n == 1 else 's are'} too few for an attitude"
        raise InputError(file, "landmarks_mm", problem, f"give at least {LEAST_LANDMARKS} that the figure has")
    for view in question.views:
        if len(view.names) < 2:
            problem = f"a map with no landmark but '{view.names[0]}' says nothing: it can always be shifted to fit"
            raise InputError(file, "landmarks_mm", problem, "give a second one, or leave the map out")
    extent = max(float(np.ptp(view.points, axis=0).max()) for view in question.views)
    if extent < LEAST_EXTENT:
        problem = f"all landmarks lie within {1e3 * extent:.0f} mm, which tells no attitude of a body"
        raise InputError(file, "landmarks_mm", problem, "check the unit, or give landmarks farther apart")
    if extent > MOST_EXTENT:
        problem = f"the landmarks reach over {extent:.4g} m, more than any body"
        raise InputError(file, "landmarks_mm", problem, "check the unit; [u, v] are in mm")


class _Fit:
    """Residuals of one question under one lay model, and their slopes.

    Parameters: stature m, the angles ``active`` rad, logarithms of the proportions, and turn, u, v of each map.
    """

    def __init__(self, question: Question, lay: Lay) -> None:
        self.question, self.lay = question, lay
        self.last: tuple[bytes, Skeleton] | None = None
        self.webs = [weave(view.points) for view in question.views]
        measures = find_measures(UNIT, sex=question.sex)
        names = place_skeleton(measures, JointAngles(), question.lie).landmark_names
        seen = np.unique([names.index(name) for view in question.views for name in view.names])
        self.rows = np.unique([*seen, *(names.index(name) for name, _ in GUARDS)])
        self.picks = [np.searchsorted(self.rows, [names.index(n) for n in view.names]) for view in question.views]
        self.ease = lie_at_ease()
        self.active = self._find_active(measures, seen)
        self._set_guards(names)
        active_names = tuple(ANGLE_NAMES[k] for k in self.active)
        self.carrying = find_carrying(measures, question.lie, active_names, self.rows)
        low, high = (limit[self.active] for limit in list_limits())
        shape = np.full(len(PROPORTIONS) if question.proportions_sd > 0.0 else 0, question.proportions_sd)
        place = np.ones(3 * len(question.views))
        self.n_angle, self.n_shape = len(low), len(shape)
        self.n_body = 1 + self.n_angle + self.n_shape
        self.low = np.concatenate([STATURES[:1], low, -3.0 * shape, -np.inf * place])
        self.high = np.concatenate([STATURES[1:], high, 3.0 * shape, np.inf * place])
        self.mean = np.concatenate([[question.stature[0]], self.ease[self.active], 0.0 * shape, 0.0 * place])
        self.sd = np.concatenate([[question.stature[1]], (high - low) / np.sqrt(12.0), shape, place])
        self.is_angle = np.zeros(len(self.low), dtype=bool)
        self.is_angle[1 : 1 + self.n_angle] = True

    def _set_guards(self, names: tuple[str, ...]) -> None:
        """Which rows are guarded, how high they may lie, and how high the lumbar joint is where the trunk lies down."""
        flat = {lie: place_skeleton(find_measures(UNIT), JointAngles(), lie) for lie in ("supine", "prone")}
        front = ("sternum", "navel", "pubis", "left nipple")
        ground = min(flat["prone"].landmark(name)[2] for name in front) if self.question.lie == "prone" else 0.0
        self.lumbar = (flat[self.question.lie].joint("lumbar")[2] - ground) / UNIT  # of the stature
        top = max(flat["supine"].landmark(name)[2] for name in front) / UNIT
        self.guard = np.searchsorted(self.rows, [names.index(name) for name, _ in GUARDS])
        self.most = np.array([[top, most - TOP] if most >= TOP else [0.0, most] for _, most in GUARDS])
        if not self.question.at_rest:
            self.most[:, 1] = np.inf

    def hover(self, x: Array) -> Array:
        """(g,) how far each guarded part lies off what it may, signed (below: negative), over GUARD_SD; 0 within."""
        skeleton = self.pose(x)
        height = skeleton.landmarks[self.rows[self.guard], 2] - skeleton.joint("lumbar")[2] + self.lumbar * x[0]
        above = height - self.most[:, 0] * x[0] - self.most[:, 1]
        return np.where(height < 0.0, height, np.maximum(above, 0.0)) / GUARD_SD

    def slope_hover(self, x: Array, moves: Array) -> Array:
        """(g, p) change of `hover`, where the landmarks move by ``moves`` (b, n, 3) with the body's parameters."""
        off = self.hover(x)
        out = np.zeros((len(off), len(x)))
        out[:, : self.n_body] = moves[:, self.guard, 2].T / GUARD_SD
        # All heights go with the stature; what is allowed above the trunk goes with it in part.
        fixed = np.where(off > 0.0, self.most[:, 1], 0.0)
        out[:, 0] = (off + np.where(np.isfinite(fixed), fixed, 0.0) / GUARD_SD) / x[0]
        out[off == 0.0] = 0.0
        return out

    def _find_active(self, measures: BodyMeasures, seen: Array) -> Array:
        """Numbers of the angles on which the landmarks ``seen`` depend, beside where the whole body lies."""

        def look(angles: Array) -> Array:
            marks = place_skeleton(measures, JointAngles.from_vector(angles), self.question.lie).landmarks[seen]
            return marks - marks[0]

        bent = self.ease + 0.2
        before, active = look(bent), []
        for number in range(len(ANGLE_NAMES)):
            moved = bent.copy()
            moved[number] += 0.1
            if np.abs(look(moved) - before).max() > 1e-9:
                active.append(number)
        return np.array(active, dtype=np.int64)

    def shape(self, x: Array) -> tuple[BodyMeasures, JointAngles]:
        """Measures and angles of the parameters; angles that nothing depends on are at ease."""
        factors = np.exp(x[1 + self.n_angle : self.n_body])
        measures = find_measures(float(x[0]), sex=self.question.sex)
        return _shape_body(measures, factors), JointAngles.from_vector(self._angles(x))

    def _angles(self, x: Array) -> Array:
        angles = self.ease.copy()
        angles[self.active] = x[1 : 1 + self.n_angle]
        return angles

    def pose(self, x: Array) -> Skeleton:
        """The skeleton of the parameters; the last one is kept, since residuals and slopes ask for the same."""
        body = x[: self.n_body].tobytes()
        if self.last is None or self.last[0] != body:
            self.last = (body, place_skeleton(*self.shape(x), self.question.lie))
        return self.last[1]

    def placings(self, x: Array) -> list[Placing]:
        """The turn and shift of each map."""
        return [Placing(float(p[0]), p[1:]) for p in x[self.n_body :].reshape(-1, 3)]

    def place_best(self, x: Array) -> Array:
        """``x`` with the best turns and shifts for its body."""
        marks, x = self.pose(x).landmarks[self.rows], x.copy()
        for k, (view, pick, web) in enumerate(zip(self.question.views, self.picks, self.webs, strict=True)):
            best = fit_placing(lay_flat(self.lay, marks[pick], web, view.hand), view)
            x[self.n_body + 3 * k : self.n_body + 3 * k + 3] = [best.turn, *best.shift]
        return x

    def predict(self, x: Array, skeleton: Skeleton) -> list[Array]:
        """The landmarks on each map."""
        marks = skeleton.landmarks[self.rows]
        return [
            placing.put(lay_flat(self.lay, marks[pick], web, view.hand))
            for view, pick, web, placing in zip(
                self.question.views, self.picks, self.webs, self.placings(x), strict=True
            )
        ]

    def misfit(self, x: Array) -> Array:
        """(2 n,) misfit over sd, of all maps."""
        found = self.predict(x, self.pose(x))
        return np.concatenate([((view.points - put) / view.sd[:, None]).ravel()
                               for view, put in zip(self.question.views, found, strict=True)])  # fmt: skip

    def slope_shape(self, x: Array, marks: Array) -> Array:
        """(s, n, 3) how the landmarks ``marks`` move with the proportions, beside the rise of the whole body.

        Lengths enter once, so a difference will do.
        """
        moves = np.zeros((self.n_shape, len(self.rows), 3))
        lumbar = self.pose(x).joint("lumbar")[2]
        for k in range(self.n_shape):
            longer = x.copy()
            longer[1 + self.n_angle + k] += 1e-6
            skeleton = place_skeleton(*self.shape(longer), self.question.lie)
            moves[k] = (skeleton.landmarks[self.rows] - marks) / 1e-6
            moves[k, :, 2] -= (skeleton.joint("lumbar")[2] - lumbar) / 1e-6
        return moves

    def slope(self, x: Array, by_shape: Array | None = None) -> tuple[Array, Array]:
        """(2 n, p) and (g, p): change of `misfit` and `hover` with each parameter.

        ``by_shape`` of `slope_shape` saves that part.
        """
        measures, _ = self.shape(x)
        skeleton = self.pose(x)
        marks = skeleton.landmarks[self.rows]
        moves = np.zeros((self.n_body, len(self.rows), 3))
        moves[0] = marks / x[0]  # all lengths go with the stature
        turned = slice(1, 1 + self.n_angle)
        moves[turned] = find_slopes(self.carrying, measures, self._angles(x), self.question.lie, skeleton)
        moves[1 + self.n_angle :] = self.slope_shape(x, marks) if by_shape is None else by_shape
        blocks = []
        for k, (view, pick, web, placing) in enumerate(
            zip(self.question.views, self.picks, self.webs, self.placings(x), strict=True)
        ):
            flat = lay_flat(self.lay, marks[pick], web, view.hand)
            by_body = slope_flat(self.lay, marks[pick], moves[:, pick], web, view.hand)
            block = np.zeros((len(x), len(pick), 2))
            bare = Placing(placing.turn, np.zeros(2))
            block[: self.n_body] = bare.put(by_body.reshape(-1, 2)).reshape(by_body.shape)
            quarter = Placing(placing.turn + 0.5 * np.pi, np.zeros(2))
            at = self.n_body + 3 * k
            block[at], block[at + 1, :, 0], block[at + 2, :, 1] = quarter.put(flat), 1.0, 1.0
            blocks.append((-block / view.sd[:, None]).reshape(len(x), -1))
        return np.concatenate(blocks, axis=1).T, self.slope_hover(x, moves)

    def beside(self, x: Array, with_ease: bool) -> tuple[Array, Array]:
        """What is taken as known of the body: residuals, and which parameter each belongs to."""
        counts = np.arange(self.n_body)
        counts = counts if with_ease else counts[~self.is_angle[: self.n_body]]
        return ((x - self.mean) / self.sd)[counts], counts

    def sum_up(self, x: Array) -> float:
        """The sum of squares without the term of ease."""
        return float(sum((part**2).sum() for part in (self.misfit(x), self.hover(x), self.beside(x, False)[0])))

    def solve(self, start: Array, with_ease: bool, held: int = -1, tries: int = TRIES) -> Array:
        """The least squares from ``start``, with parameter ``held`` as it is there (-1: none)."""
        from scipy.optimize import least_squares

        free = np.flatnonzero(np.arange(len(start)) != held)
        at = start.copy()
        by_shape = self.slope_shape(start, self.pose(start).landmarks[self.rows])  # it hardly changes on the way
        ridge = 0.02 / self.sd[free]  # without ease, what nothing depends on must stay put: by far less than ALLOWED

        def full(y: Array) -> Array:
            at[free] = y
            return at

        def residual(y: Array) -> Array:
            x = full(y)
            parts = (self.misfit(x), self.hover(x), self.beside(x, with_ease)[0], ridge * (y - start[free]))
            return np.concatenate(parts)

        def jacobian(y: Array) -> Array:
            x = full(y)
            _, counts = self.beside(x, with_ease)
            known = np.zeros((len(counts), len(x)))
            known[np.arange(len(counts)), counts] = 1.0 / self.sd[counts]
            by_map, by_hover = self.slope(x, by_shape)
            return np.concatenate([by_map[:, free], by_hover[:, free], known[:, free], np.diag(ridge)])

        low, high = self.low[free], self.high[free]
        margin = np.where(np.isfinite(high - low), 1e-6 * (high - low), 0.0)
        found = least_squares(
            residual, np.clip(start[free], low + margin, high - margin), jac=jacobian, bounds=(low, high),
            x_scale=self.sd[free], ftol=1e-4, xtol=1e-5, gtol=1e-6, max_nfev=tries,
        )  # fmt: skip
        return full(found.x).copy()


def _shape_body(measures: BodyMeasures, factors: Array) -> BodyMeasures:
    """``measures`` with the ``factors`` of PROPORTIONS (none: as they are), at the same stature."""
    if not len(factors):
        return measures
    m = measures
    upper_arm, forearm, hand, shin, leg, shoulders, foot = (float(f) for f in factors)
    return replace(
        m, upper_arm_length=m.upper_arm_length * upper_arm, forearm_length=m.forearm_length * forearm,
        hand_length=m.hand_length * hand, knee_height=m.knee_height * shin * leg,
        trochanter_height=m.trochanter_height * leg, crotch_height=m.crotch_height * leg,
        buttock_height=m.buttock_height * leg, biacromial_breadth=m.biacromial_breadth * shoulders,
        foot_length=m.foot_length * foot,
    )  # fmt: skip


def find_attitude(question: Question, lay: Lay, seed: int = 0, show: Show = lambda _done, _all: None) -> Attitude:
    """The attitude under one lay model. Raises InputError where the landmarks are too few or too near together."""
    check_question(question)
    fit = _Fit(question, lay)
    steps = STARTS + fit.n_angle + 1
    ends = _fit_best(fit, seed, lambda number: show(number, steps))
    best = ends[0]
    used = _count_used(fit, best)
    free = 2.0 * sum(len(view.names) for view in question.views) - 3.0 * len(question.views) - used
    chi = float(np.sqrt((fit.misfit(best) ** 2).sum() / free)) if free >= 1.0 else float("nan")
    rise = ALLOWED * (max(1.0, chi**2) if np.isfinite(chi) else 1.0)
    least = fit.solve(best, False)
    limit = min(fit.sum_up(least), fit.sum_up(best)) + rise
    reached = [x for x in ends if fit.sum_up(x) <= limit]
    for k in range(1 + fit.n_angle):  # the stature, then each angle
        show(STARTS + k, steps)
        for end in (fit.low[k], fit.high[k]):
            reached.append(_push(fit, least, k, float(end), limit))
    return _tell(fit, best, np.array([best, least, *reached]), (chi, free, used))


def try_fit(question: Question, lay: Lay, seed: int = 0) -> tuple[Array, float]:
    """(parameters, sum of squares) of the best fit alone, without what the map allows."""
    fit = _Fit(question, lay)
    best = _fit_best(fit, seed, lambda _: None)[0]
    return best, float((fit.misfit(best) ** 2).sum())


def _fit_best(fit: _Fit, seed: int, show: Callable[[int], None]) -> list[Array]:
    """The ends of fits from ease and from random starts, the best first."""
    rng = np.random.default_rng(seed)
    ends = []
    for number in range(STARTS):
        show(number)
        start = fit.mean.copy()
        if number:
            low, high = fit.low[fit.is_angle], fit.high[fit.is_angle]
            start[fit.is_angle] = 0.5 * (start[fit.is_angle] + low + (high - low) * rng.random(fit.n_angle))
        x = fit.solve(fit.place_best(start), True)
        angles = fit.beside(x, True)[0][fit.is_angle[: fit.n_body]]
        ends.append((fit.sum_up(x) + float((angles**2).sum()), number, x))
    return [x for _, _, x in sorted(ends, key=lambda end: end[:2])]


def _push(fit: _Fit, start: Array, k: int, end: float, limit: float) -> Array:
    """The fit whose parameter ``k`` is as near to ``end`` as is allowed: with a sum of squares of at most ``limit``."""
    good, bad = start, end
    below, above = limit - fit.sum_up(start), 0.0
    share = 1.0
    while abs(bad - good[k]) > CLOSE * (fit.high[k] - fit.low[k]):
        held = good.copy()
        held[k] = good[k] + share * (bad - good[k])
        x = fit.solve(held, False, k, NEAR_TRIES)
        over = fit.sum_up(x) - limit
        if over <= 0.0:
            good, below = x, -over
            if share == 1.0:
                break
        else:
            bad, above = float(held[k]), over
        # As if the sum rose with the square of the way, kept off both ends.
        share = float(np.clip(np.sqrt(max(below, 0.0) / (max(below, 0.0) + above)), 0.15, 0.85))
    return good


def _count_used(fit: _Fit, x: Array) -> float:
    """How many of the map's numbers the figure follows, beside those that place it: trace of the matrix data to fit."""
    slope, _ = fit.slope(x)
    place = slope[:, fit.n_body :]
    body = slope[:, : fit.n_body] - place @ np.linalg.lstsq(place, slope[:, : fit.n_body], rcond=None)[0]
    inner = body.T @ body
    return float(np.trace(np.linalg.solve(inner + np.diag(fit.sd[: fit.n_body] ** -2), inner)))


def _tell(fit: _Fit, best: Array, reached: Array, counts: tuple[float, float, float]) -> Attitude:
    measures, angles = fit.shape(best)
    skeleton = fit.pose(best)
    predicted = fit.predict(best, skeleton)
    misfit = tuple(view.points - put for view, put in zip(fit.question.views, predicted, strict=True))
    low, high = list_limits()
    known = [UNSEEN] * len(ANGLE_NAMES)
    for k, number in enumerate(fit.active, start=1):
        reach = high[number] - low[number]
        low[number], high[number] = reached[:, k].min(), reached[:, k].max()
        known[number] = judge_width(high[number] - low[number], reach)
    stature = (float(best[0]), float(reached[:, 0].min()), float(reached[:, 0].max()))
    share = (stature[2] - stature[1]) / (2.0 * 1.96 * fit.sd[0])
    return Attitude(
        lay=fit.lay, question=fit.question, angles=angles, measures=measures, low=low, high=high, known=tuple(known),
        stature=stature,
        stature_known=DETERMINED if share <= SHARE else LOOSELY if share <= LOOSE_SHARE else OPEN,
        placings=tuple(fit.placings(best)), predicted=tuple(predicted), misfit=misfit,
        rms=float(np.sqrt(np.mean(np.concatenate([(m**2).sum(axis=1) for m in misfit])))),
        chi=counts[0], free=counts[1], used=counts[2], skeleton=skeleton,
        others=tuple(fit.pose(x) for x in reached[1:]), turns=reached[:, fit.n_body],
    )  # fmt: skip


def judge_width(width: float, reach: float) -> str:
    """DETERMINED, LOOSELY or OPEN, where ``width`` of a joint's ``reach`` is allowed; both rad."""
    if width <= NARROW and width <= SHARE * reach:
        return DETERMINED
    return LOOSELY if width <= LOOSE_SHARE * reach else OPEN
