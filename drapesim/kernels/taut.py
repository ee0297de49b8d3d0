"""How far apart points of a closed surface are round its outside: fronts over faces, jumps through the air, proofs.

A *level* is a number at each vertex, quadratic on each face. It serves as a proof of distance if it is nowhere steeper
than 1: on no face, and between no two points that see each other through the air (`drapesim.judging.taut` says why).
"""

import math

import numpy as np

from drapesim.kernels.jit import kernel, parallel_kernel, prange

LEAST = 1e-9
"""m: a face sees what stands higher above its plane than this."""


@kernel
def _beyond(cx, px, py, qx, qy, lp, lq, vx, vy):
    """Level at v of a round front that has levels lp at p and lq at q, if its ray to v crosses p-q; else inf.

    Flat coordinates with the edge that the ray must cross as well from (0, 0) to (cx, 0), v above it. Where no point
    has these distances (as at the start), the front is taken as straight.
    """
    ex, ey = qx - px, qy - py
    c = math.sqrt(ex * ex + ey * ey)
    if c < 1e-12 or abs(lp - lq) >= c:
        return math.inf
    ex, ey = ex / c, ey / c
    nx, ny = -ey, ex
    if (vx - px) * nx + (vy - py) * ny < 0.0:
        nx, ny = -nx, -ny
    along, up = (vx - px) * ex + (vy - py) * ey, (vx - px) * nx + (vy - py) * ny
    s = (lp * lp - lq * lq + c * c) / (2.0 * c)
    h2 = lp * lp - s * s
    if h2 > 0.0:
        h = math.sqrt(h2)
        foot = s + (along - s) * h / (h + up)
        found = math.sqrt((along - s) ** 2 + (h + up) ** 2)
    else:
        a = (lq - lp) / c
        b = math.sqrt(1.0 - a * a)
        foot = along - up * a / b
        found = lp + a * along + b * up
    if foot < 0.0 or foot > c or found < max(lp, lq):
        return math.inf
    if ey != 0.0:  # the ray must cross the nearer edge too
        fx, fy = px + foot * ex, py + foot * ey
        if fy < 0.0:
            at = fx + (vx - fx) * (-fy) / (vy - fy)
            if at < 0.0 or at > cx:
                return math.inf
    return found


@kernel
def spread_front(x, faces, apex, order, level, came, out):
    """One pass over the faces in ``order``: ``level`` (n,) m falls to what fronts from its neighbours give.

    x (n, 3) m; faces (m, 3); apex (m, 3): vertex across the edge opposite to each corner (-1: none). ``came`` (n, 2)
    takes the two vertices that a level came between. out[0] becomes the largest fall of the pass.
    """
    out[0] = 0.0
    for at in range(len(order)):
        f = order[at]
        for k in range(3):
            v, u, w, z = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3], apex[f, k]
            lu, lw = level[u], level[w]
            if min(lu, lw) >= level[v]:
                continue
            c = vx = vu = vw = zx = zz = 0.0
            for d in range(3):
                e = x[w, d] - x[u, d]
                c += e * e
                vx += e * (x[v, d] - x[u, d])
                vu += (x[v, d] - x[u, d]) ** 2
                vw += (x[v, d] - x[w, d]) ** 2
                if z >= 0:
                    zx += e * (x[z, d] - x[u, d])
                    zz += (x[z, d] - x[u, d]) ** 2
            c = math.sqrt(c)
            vx /= c
            vy = math.sqrt(max(vu - vx * vx, 0.0))
            best, one, two = lu + math.sqrt(vu), u, u
            found = lw + math.sqrt(vw)
            if found < best:
                best, one, two = found, w, w
            found = _beyond(c, 0.0, 0.0, c, 0.0, lu, lw, vx, vy)
            if found < best:
                best, one, two = found, u, w
            if z >= 0 and level[z] < level[v]:
                zx /= c
                zy = -math.sqrt(max(zz - zx * zx, 0.0))
                lz = level[z]
                found = _beyond(c, 0.0, 0.0, zx, zy, lu, lz, vx, vy)
                if found < best:
                    best, one, two = found, u, z
                found = _beyond(c, zx, zy, c, 0.0, lz, lw, vx, vy)
                if found < best:
                    best, one, two = found, z, w
            if best < level[v]:
                out[0] = max(out[0], min(level[v] - best, 1.0))
                level[v] = best
                came[v, 0], came[v, 1] = one, two


@kernel
def _is_blocked(px, py, pz, qx, qy, qz, rp, rq, depth, low, step):
    """Does the body stop all ways from within rp of p to within rq of q? Depth: at least so deep inside, on a grid."""
    length = math.sqrt((qx - px) ** 2 + (qy - py) ** 2 + (qz - pz) ** 2)
    n = int(length / step) + 1
    for k in range(1, n):
        t = k / n
        i = round((px + t * (qx - px) - low[0]) / step)
        j = round((py + t * (qy - py) - low[1]) / step)
        m = round((pz + t * (qz - pz) - low[2]) / step)
        if i < 0 or j < 0 or m < 0 or i >= depth.shape[0] or j >= depth.shape[1] or m >= depth.shape[2]:
            continue
        off = (
            (px + t * (qx - px) - low[0] - i * step) ** 2
            + (py + t * (qy - py) - low[1] - j * step) ** 2
            + (pz + t * (qz - pz) - low[2] - m * step) ** 2
        )
        if depth[i, j, m] - math.sqrt(off) > (1.0 - t) * rp + t * rq:
            return True
    return False


@parallel_kernel
def find_seen(middle, width, depth, low, step, out):
    """``out`` (c, c) bool: may anything within ``width`` (c,) m of a ``middle`` (c, 3) see anything so near another?"""
    for i in prange(len(middle)):
        for j in range(len(middle)):
            out[i, j] = not _is_blocked(middle[i, 0], middle[i, 1], middle[i, 2], middle[j, 0], middle[j, 1],
                                        middle[j, 2], width[i], width[j], depth, low, step)  # fmt: skip


@parallel_kernel
def jump_front(x, around, ring_start, ring, normal, size, first, order, middle, width, of, seen, lowest, most, depth,
               low, step, level, came, out):  # fmt: skip
    """``out`` (n,) m: ``level``, or less where a straight way through the air from another vertex makes it less.

    ring_start, ring: faces round each vertex; normal (m, 3) of the faces; size (n,) m: how far these faces go from the
    vertex; first (c + 1,), order: vertices of each cluster, with its middle (c, 3), width and lowest level; of (n,):
    the cluster that each vertex is in; seen: `find_seen` of them; no level above ``most`` is looked at. ``came`` (n,)
    takes the vertex jumped from (-1: none).
    """
    for at in prange(len(around)):
        v = around[at]
        best, source = level[v], -1
        if best > most:
            best = most
        for c in range(len(first) - 1):
            away = math.sqrt(
                (x[v, 0] - middle[c, 0]) ** 2 + (x[v, 1] - middle[c, 1]) ** 2 + (x[v, 2] - middle[c, 2]) ** 2
            )
            if lowest[c] + away - width[c] >= best or not seen[of[v], c]:
                continue
            sees = False
            for r in range(ring_start[v], ring_start[v + 1]):
                f = ring[r]
                up = 0.0
                for d in range(3):
                    up += normal[f, d] * (middle[c, d] - x[v, d])
                if up + width[c] > LEAST:
                    sees = True
                    break
            if not sees:
                continue
            for k in range(first[c], first[c + 1]):
                q = order[k]
                if level[q] >= best or q == v:
                    continue
                dx, dy, dz = x[q, 0] - x[v, 0], x[q, 1] - x[v, 1], x[q, 2] - x[v, 2]
                found = level[q] + math.sqrt(dx * dx + dy * dy + dz * dz)
                if found >= best - 1e-6:
                    continue
                sees = False
                for r in range(ring_start[v], ring_start[v + 1]):
                    f = ring[r]
                    if normal[f, 0] * dx + normal[f, 1] * dy + normal[f, 2] * dz > LEAST:
                        sees = True
                        break
                if not sees:
                    continue
                sees = False
                for r in range(ring_start[q], ring_start[q + 1]):
                    f = ring[r]
                    if normal[f, 0] * dx + normal[f, 1] * dy + normal[f, 2] * dz < -LEAST:
                        sees = True
                        break
                if not sees or _is_blocked(x[v, 0], x[v, 1], x[v, 2], x[q, 0], x[q, 1], x[q, 2], size[v], size[q],
                                           depth, low, step):  # fmt: skip
                    continue
                best, source = found, q
        out[v] = best if source >= 0 else level[v]
        came[v] = source


@kernel
def _det(a, b, c):
    return a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0]) + a[2] * (b[0] * c[1] - b[1] * c[0])


@kernel
def _holds(g, a, b, slack):
    for k in range(len(b)):  # noqa: SIM110 - kernels take no generators
        if a[k, 0] * g[0] + a[k, 1] * g[1] + a[k, 2] * g[2] < b[k] - slack:
            return False
    return True


@kernel
def _find_steepest(a, b, g):
    """Least length of a vector g with a[k] . g >= b[k] for all k; a bound on (rise) / (distance) of two triangles.

    Condition after condition is taken in: one that the vector so far breaks must be met exactly by the next, and the
    search among those before it has one freedom less (Seidel 1991, as for linear programmes). inf where none is found.
    """
    slack = 1e-10
    g[0] = g[1] = g[2] = 0.0
    for k in range(len(b)):
        if a[k, 0] * g[0] + a[k, 1] * g[1] + a[k, 2] * g[2] >= b[k] - slack:
            continue
        kk = a[k, 0] ** 2 + a[k, 1] ** 2 + a[k, 2] ** 2
        if kk < 1e-20:
            return math.inf
        for d in range(3):
            g[d] = a[k, d] * b[k] / kk
        for l in range(k):
            if a[l, 0] * g[0] + a[l, 1] * g[1] + a[l, 2] * g[2] >= b[l] - slack:
                continue
            ll = a[l, 0] ** 2 + a[l, 1] ** 2 + a[l, 2] ** 2
            kl = a[k, 0] * a[l, 0] + a[k, 1] * a[l, 1] + a[k, 2] * a[l, 2]
            det = kk * ll - kl * kl
            if det <= 1e-12 * kk * ll or ll < 1e-20:
                continue
            p, q = (b[k] * ll - b[l] * kl) / det, (b[l] * kk - b[k] * kl) / det
            for d in range(3):
                g[d] = p * a[k, d] + q * a[l, d]
            for m in range(l):
                if a[m, 0] * g[0] + a[m, 1] * g[1] + a[m, 2] * g[2] >= b[m] - slack:
                    continue
                det = _det(a[k], a[l], a[m])
                if abs(det) < 1e-18:
                    continue
                for d in range(3):
                    e, f = (d + 1) % 3, (d + 2) % 3
                    g[d] = (
                        b[k] * (a[l, e] * a[m, f] - a[l, f] * a[m, e])
                        + b[l] * (a[m, e] * a[k, f] - a[m, f] * a[k, e])
                        + b[m] * (a[k, e] * a[l, f] - a[k, f] * a[l, e])
                    ) / det
    if not _holds(g, a, b, 10.0 * slack):
        return math.inf
    return math.sqrt(g[0] ** 2 + g[1] ** 2 + g[2] ** 2)


@kernel
def _sees(x, faces, normal, i, j):
    """Is some corner of face j above the plane of face i?"""
    u = faces[i, 0]
    for k in range(3):
        q = faces[j, k]
        up = 0.0
        for d in range(3):
            up += normal[i, d] * (x[q, d] - x[u, d])
        if up > LEAST:
            return True
    return False


@kernel
def _control(x, faces, level, dip, f, out):
    """Places and control values (6, 4) of the level on face f: the corners, then the edges' middles."""
    for k in range(3):
        u, w = faces[f, k], faces[f, (k + 1) % 3]
        for d in range(3):
            out[k, d] = x[u, d]
            out[3 + k, d] = 0.5 * (x[u, d] + x[w, d])
        out[k, 3] = level[u]
        out[3 + k, 3] = 0.5 * (level[u] + level[w]) - 2.0 * dip[f, k]


@parallel_kernel
def find_steep(x, faces, normal, centre, radius, top, bottom, first, order, middle, width, of, seen, lowest, axis,
               spread, most, depth, low, step, level, dip, allowed, count, other, floor, steep):  # fmt: skip
    """Pairs of faces that may see each other and between which ``level`` (n,) m rises faster than ``allowed``.

    On a face the level is quadratic: in the middle of the edge from corner k to the next it is ``dip`` (m, 3) m below
    the mean of its ends. Its control values (Bernstein form) are those at the corners, and on each edge the mean of its
    ends less twice the dip; what holds for control values, less a linear function, holds for the level.

    centre (m, 3), radius (m,) m: a ball round each face; top, bottom (m,): its largest and least level; first, order,
    middle, width, of, seen, lowest: clusters of faces, as in `jump_front`, with all normals within the angle spread
    (c,) of axis (c, 3). count (m,) becomes the number of pairs whose upper face is this one; other, floor, steep
    (m, s): the lower face, its least level, and a bound of rise over distance. The last of the s slots gathers
    all that find no other (other = -1, the least floor, the largest rise).
    """
    slots = other.shape[1]
    for i in prange(len(faces)):
        count[i] = 0
        if bottom[i] > most:
            continue
        a = np.empty((36, 3))
        b = np.empty(36)
        up_at, low_at = np.empty((6, 4)), np.empty((6, 4))
        _control(x, faces, level, dip, i, up_at)
        g = np.empty(3)
        for c in range(len(first) - 1):
            away = math.sqrt(
                (centre[i, 0] - middle[c, 0]) ** 2
                + (centre[i, 1] - middle[c, 1]) ** 2
                + (centre[i, 2] - middle[c, 2]) ** 2
            )
            if top[i] - lowest[c] <= away - width[c] - radius[i] or not seen[of[i], c]:
                continue
            up = 0.0
            for d in range(3):
                up += normal[i, d] * (middle[c, d] - centre[i, d])
            if up + width[c] <= LEAST:
                continue
            margin = width[c] + radius[i]
            if away > margin:
                turn = 0.0
                for d in range(3):
                    turn += axis[c, d] * (centre[i, d] - middle[c, d])
                turn = math.acos(min(max(turn / away, -1.0), 1.0)) - spread[c]
                if turn > 0.0 and math.cos(turn) * away + margin <= 0.0:
                    continue
            for k in range(first[c], first[c + 1]):
                j = order[k]
                if j == i:
                    continue
                rise = top[i] - bottom[j]
                if rise <= 0.0:
                    continue
                away = math.sqrt(
                    (centre[i, 0] - centre[j, 0]) ** 2
                    + (centre[i, 1] - centre[j, 1]) ** 2
                    + (centre[i, 2] - centre[j, 2]) ** 2
                )
                if rise <= away - radius[i] - radius[j]:
                    continue
                if not _sees(x, faces, normal, i, j) or not _sees(x, faces, normal, j, i):
                    continue
                _control(x, faces, level, dip, j, low_at)
                for p in range(6):
                    for q in range(6):
                        n = 6 * p + q
                        b[n] = up_at[p, 3] - low_at[q, 3]
                        for d in range(3):
                            a[n, d] = up_at[p, d] - low_at[q, d]
                if away > 0.0:
                    for d in range(3):
                        g[d] = allowed * (centre[i, d] - centre[j, d]) / away
                    if _holds(g, a, b, 0.0):
                        continue
                if _is_blocked(centre[i, 0], centre[i, 1], centre[i, 2], centre[j, 0], centre[j, 1], centre[j, 2],
                               radius[i], radius[j], depth, low, step):  # fmt: skip
                    continue
                found = _find_steepest(a, b, g)
                if found <= allowed:
                    continue
                if count[i] < slots - 1:
                    other[i, count[i]], floor[i, count[i]], steep[i, count[i]] = j, bottom[j], found
                    count[i] += 1
                elif count[i] == slots - 1:
                    other[i, slots - 1], floor[i, slots - 1], steep[i, slots - 1] = -1, bottom[j], found
                    count[i] += 1
                else:
                    floor[i, slots - 1] = min(floor[i, slots - 1], bottom[j])
                    steep[i, slots - 1] = max(steep[i, slots - 1], found)
