"""Partial inductances of straight conductors: exact bars, parallel bars, filaments at any angle.

Lengths in micrometres, inductances in nanohenries, all functions vectorised over their inputs.

Sources: C. Hoer, C. Love, J. Res. NBS 69C(2), 127-137 (1965), exact rectangular bars; F. W. Grover,
"Inductance Calculations" (1946), ch. 7, and G. A. Campbell, Phys. Rev. 5 (1915), filaments at an angle;
J. C. Maxwell, "Treatise" (1873), art. 692, geometric mean distances. Formulas and citations from memory; the
tests check the formulas by quadrature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

NH_PER_UM = 1e-4
"""mu0 / (4 pi)."""

_PARALLEL_SINE = 1e-8
"""Below this sine two filaments count as parallel: both the tilt neglected and rounding stay near 1e-8."""

_NEAR = 8.13
"""Sections nearer than this many section sizes are averaged exactly, farther ones to second order (4e-6).
Not a round number, nor is the next: a regular layout should not lie just on a limit."""

_CLOSE = 4.07
"""Gaps up to this many section sizes get the section's own average rather than its mean square."""


@dataclass(frozen=True, slots=True, eq=False)
class Filaments:
    """Straight filaments of rectangular section. start_um, end_um: (N, 3); width_um, thickness_um: (N,).

    `width_um` lies in the plane z = const, `thickness_um` along z.
    """

    start_um: Array
    end_um: Array
    width_um: Array
    thickness_um: Array

    def mirrored(self, plane_z_um: float) -> Filaments:
        """The same filaments reflected in the plane z = plane_z_um."""
        flip = np.array([1.0, 1.0, -1.0])
        shift = np.array([0.0, 0.0, 2.0 * plane_z_um])
        return Filaments(self.start_um * flip + shift, self.end_um * flip + shift, self.width_um, self.thickness_um)


def bar_self_inductance(length_um: npt.ArrayLike, width_um: npt.ArrayLike, thickness_um: npt.ArrayLike) -> Array:
    """Exact self-inductance of a rectangular bar with uniform current, in nH (Hoer and Love 1965).

    The 64-term expression loses (length / section)^4 in rounding, so slender bars use the same integral in
    another form: Maxwell's mean of ln(distance) and the mean distance of the section in closed form, and the
    smooth remainder by 12-point Gauss-Legendre quadrature (error below 1e-13 for a length above the section).
    """
    shape = np.broadcast_shapes(np.shape(length_um), np.shape(width_um), np.shape(thickness_um))
    length, width, thickness = (
        np.broadcast_to(np.asarray(side, dtype=np.float64), shape).ravel()
        for side in (length_um, width_um, thickness_um)
    )
    out = np.empty(length.shape)
    slender = length > np.maximum(width, thickness)
    out[slender] = _slender_bar(length[slender], width[slender], thickness[slender])
    short = ~slender & (length > 0)
    out[~slender] = 0.0
    out[short] = hoer_love_bar(length[short], width[short], thickness[short])
    return out.reshape(shape)


def hoer_love_bar(length_um: Array, width_um: Array, thickness_um: Array) -> Array:
    """The Hoer-Love sum itself (8 distinct terms by symmetry), in nH; for bars that are not slender."""
    total = np.zeros(np.shape(length_um))
    for i in (0.0, 1.0):
        for j in (0.0, 1.0):
            for k in (0.0, 1.0):
                sign = -1.0 if int(i + j + k) % 2 == 0 else 1.0
                total += sign * _hoer_love_term(i * length_um, j * width_um, k * thickness_um)
    return NH_PER_UM * 8.0 * total / (width_um * thickness_um) ** 2


def _hoer_love_term(x: Array, y: Array, z: Array) -> Array:
    r = np.sqrt(x * x + y * y + z * z)

    def log_part(a: Array, b: Array, c: Array) -> Array:
        # (b^2 c^2 / 4 - b^4 / 24 - c^4 / 24) a ln((a + r) / sqrt(b^2 + c^2)), which tends to 0 with b and c
        q = np.hypot(b, c)
        logs = np.arcsinh(np.divide(a, q, out=np.zeros_like(r), where=q > 0))
        return (b * b * c * c / 4 - (b**4 + c**4) / 24) * a * logs

    def atan_part(a: Array, b: Array, c: Array) -> Array:
        return a * b * c**3 / 6 * np.arctan2(a * b, c * r)

    polynomial = x**4 + y**4 + z**4 - 3 * (x * x * y * y + y * y * z * z + z * z * x * x)
    return (
        log_part(x, y, z)
        + log_part(y, z, x)
        + log_part(z, x, y)
        + polynomial * r / 60
        - atan_part(x, y, z)
        - atan_part(z, x, y)
        - atan_part(y, z, x)
    )


def _slender_bar(length: Array, w: Array, t: Array) -> Array:
    nodes, weights = _unit_gauss(12)
    u = w[:, None, None] * nodes[None, :, None]
    v = t[:, None, None] * nodes[None, None, :]
    kernel = 4 * ((1 - nodes) * weights)[:, None] * ((1 - nodes) * weights)[None, :]
    along = length[:, None, None]
    hyp = np.sqrt(along**2 + u * u + v * v)
    smooth = np.sum(kernel * (along * np.log(along + hyp) - hyp), axis=(1, 2))
    zero = np.zeros_like(length)
    logs = mean_log_distance(zero, zero, w, t, w, t)
    return np.asarray(2 * NH_PER_UM * (smooth - length * logs + mean_distance(w, t)))


def mean_distance(width_um: npt.ArrayLike, thickness_um: npt.ArrayLike) -> Array:
    """Mean distance between two random points of a rectangle, in um (closed form, from memory)."""
    a = np.maximum(width_um, thickness_um).astype(np.float64)
    # A section thinner than 1e-4 of its width is a line to 1e-7; the sum would lose that much by rounding.
    b = np.maximum(np.minimum(width_um, thickness_um).astype(np.float64), 1e-4 * a)
    d = np.hypot(a, b)
    logs = 2.5 * (b * b / a * np.log((a + d) / b) + a * a / b * np.log((b + d) / a))
    return np.asarray((a**3 / b**2 + b**3 / a**2 + d * (3 - a**2 / b**2 - b**2 / a**2) + logs) / 15)


def mean_log_distance(
    du_um: Array,
    dv_um: Array,
    width_1_um: Array,
    thickness_1_um: Array,
    width_2_um: Array,
    thickness_2_um: Array,
) -> Array:
    """Mean of ln(distance / um) between the points of two parallel rectangles (the log of Maxwell's GMD).

    `du_um`, `dv_um`: offset of the centres along width and thickness. All arrays have one shape.
    Fourth-order differences of the fourfold integral of ln r when near, second-order expansion when far.
    """
    size = np.maximum.reduce([width_1_um, thickness_1_um, width_2_um, thickness_2_um])
    near = np.hypot(du_um, dv_um) < _NEAR * size
    out = np.empty(np.shape(du_um))
    far = ~near
    u, v = du_um[far], dv_um[far]
    r2 = u * u + v * v
    var_u = (width_1_um[far] ** 2 + width_2_um[far] ** 2) / 12
    var_v = (thickness_1_um[far] ** 2 + thickness_2_um[far] ** 2) / 12
    out[far] = 0.5 * np.log(np.maximum(r2, 1e-300)) + 0.5 * (var_u - var_v) * (v * v - u * u) / np.maximum(
        r2 * r2, 1e-300
    )
    if np.any(near):
        a1, a2 = width_1_um[near], width_2_um[near]
        # Thinner than 1e-4 of the other side is a strip to 1e-4 of its own width, and keeps rounding out.
        b1 = np.maximum(thickness_1_um[near], 1e-4 * a1)
        b2 = np.maximum(thickness_2_um[near], 1e-4 * a2)
        out[near] = _near_mean_log(du_um[near], dv_um[near], a1, b1, a2, b2)
    return out


def _near_mean_log(u: Array, v: Array, a1: Array, b1: Array, a2: Array, b2: Array) -> Array:
    total = np.zeros(u.shape)
    for su, pu in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        x = np.abs(u + (su * a1 + pu * a2) / 2)
        for sv, pv in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            y = np.abs(v + (sv * b1 + pv * b2) / 2)
            total += su * pu * sv * pv * _fourfold_log(x, y)
    return total / (a1 * a2 * b1 * b2)


def _fourfold_log(x: Array, y: Array) -> Array:
    """A function whose mixed fourth derivative (twice in x, twice in y) is ln sqrt(x^2 + y^2)."""
    x2, y2 = x * x, y * y
    r2 = x2 + y2
    logs = np.log(np.where(r2 > 0, r2, 1.0))
    return (
        (6 * x2 * y2 - x2 * x2 - y2 * y2) / 48 * logs
        + x * y / 6 * (x2 * np.arctan2(y, x) + y2 * np.arctan2(x, y))
        - 25 / 48 * x2 * y2
    )


def _unit_gauss(count: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1) / 2, weights / 2


def mutual_pairs(first: Filaments, i: npt.NDArray[np.intp], second: Filaments, j: npt.NDArray[np.intp]) -> Array:
    """Mutual partial inductances of the pairs (first[i], second[j]), (P,), in nH.

    Parallel pairs are averaged over both rectangular sections. Pairs at an angle are taken as filaments whose
    distance includes the mean square of the thickness. Close pairs at less than 45 degrees (a curve drawn in
    short pieces) get besides, fading towards 45 degrees, the difference that averaging over the sections
    makes for the same pair turned parallel: a bar cut into short pieces, straight or slightly bent, then adds
    up to the whole.
    """
    p1, q1, p2, q2 = first.start_um[i], first.end_um[i], second.start_um[j], second.end_um[j]
    d1, d2 = q1 - p1, q2 - p2
    # A piece without length has no direction; it then counts as square to everything.
    l1, l2 = (np.maximum(np.linalg.norm(d, axis=1), 1e-300) for d in (d1, d2))
    e1, e2 = d1 / l1[:, None], d2 / l2[:, None]
    cosine = np.einsum("ij,ij->i", e1, e2)
    normal = np.cross(e1, e2)
    sine = np.linalg.norm(normal, axis=1)
    w1, t1, w2, t2 = first.width_um[i], first.thickness_um[i], second.width_um[j], second.thickness_um[j]
    size = np.maximum.reduce([w1, t1, w2, t2])
    gap = np.linalg.norm(p1 + q1 - p2 - q2, axis=1) / 2 - (l1 + l2) / 2
    # How much of the section's average a close pair gets: all when parallel, none from 45 degrees.
    weight = np.where(gap < _CLOSE * size, np.maximum(2 * cosine**2 - 1, 0.0), 0.0)
    spread2 = (t1**2 + t2**2 + weight * (w1**2 + w2**2)) / 12
    out = np.zeros(len(l1))

    parallel = sine < _PARALLEL_SINE
    k = np.flatnonzero(parallel | (weight > 0))
    if k.size:
        section = (w1[k], t1[k], w2[k], t2[k])
        steps, du, dv = _turned_parallel(p1[k], e1[k], l1[k], p2[k], q2[k], l2[k], cosine[k])
        exact = parallel[k]
        averaged = np.empty(k.size)
        for part, count in ((exact, 6), (~exact, 4)):
            some = (side[part] for side in section)
            averaged[part] = _parallel(steps[:, part], du[part], dv[part], tuple(some), count)
        bare = _parallel_filaments(steps, du * du + dv * dv + spread2[k])
        out[k] = np.sign(cosine[k]) * np.where(exact, averaged, (averaged - bare) * weight[k])
    k = np.flatnonzero(~parallel & (np.abs(cosine) > 1e-12))
    if k.size:
        out[k] += _skew(p1[k], e1[k], l1[k], p2[k], e2[k], l2[k], cosine[k], normal[k], sine[k], spread2[k])
    return out


def _turned_parallel(
    p1: Array, e1: Array, l1: Array, p2: Array, q2: Array, l2: Array, cosine: Array
) -> tuple[Array, Array, Array]:
    """The second filaments turned parallel to the first about the nearest end (beside it: the middle).

    Returns the four differences of end positions along the first, (4, P) with signs + + - -, and the offsets
    in the plane and in height.
    """
    forward = (cosine > 0)[:, None]
    low, high = np.where(forward, p2, q2), np.where(forward, q2, p2)
    middle = (low + high) / 2
    place = np.einsum("ij,ij->i", middle - p1, e1)
    after, before = place > l1, place < 0
    anchor = np.where(after[:, None], low, np.where(before[:, None], high, middle)) - p1
    a = np.einsum("ij,ij->i", anchor, e1)
    across = anchor - a[:, None] * e1
    a = a - np.where(after, 0.0, np.where(before, 1.0, 0.5)) * l2
    level = np.abs(e1[:, 2]) < 1e-9
    dv = np.where(level, across[:, 2], 0.0)
    du = np.sqrt(np.maximum(np.einsum("ij,ij->i", across, across) - dv * dv, 0.0))
    return np.abs(np.stack([a + l2, a - l1, a, a + l2 - l1])), du, dv


_Section = tuple[Array, Array, Array, Array]
_PARITY = np.array([1.0, 1.0, -1.0, -1.0])[:, None]


def _mean_square(section: _Section) -> Array:
    w1, t1, w2, t2 = section
    return np.asarray((w1**2 + w2**2 + t1**2 + t2**2) / 12)


def _parallel(steps: Array, du: Array, dv: Array, section: _Section, nodes: int) -> Array:
    logs = mean_log_distance(du, dv, *section)
    potential = _mean_remainder(steps, du, dv, section, nodes) - steps * logs
    return np.asarray(NH_PER_UM * np.sum(_PARITY * potential, axis=0))


def _parallel_filaments(steps: Array, distance2: Array) -> Array:
    potential = _remainder(steps, distance2) - steps * 0.5 * np.log(np.maximum(distance2, 1e-300))
    return np.asarray(NH_PER_UM * np.sum(_PARITY * potential, axis=0))


def _mean_remainder(h: Array, du: Array, dv: Array, section: _Section, count: int) -> Array:
    """Mean over both sections of h ln(h + s) - s, s = sqrt(h^2 + distance^2); h: (4, P)."""
    w1, t1, w2, t2 = section
    size = np.maximum.reduce([w1, t1, w2, t2])
    out = _remainder(h, du * du + dv * dv + _mean_square(section))
    # Only where an end of one bar comes close to an end of the other does the second order not suffice.
    near = (np.hypot(du, dv) < _CLOSE * size) & (np.min(h, axis=0) < _CLOSE * size)
    if np.any(near):
        nodes, weights = _unit_gauss(count)
        both = np.concatenate([-nodes[::-1], nodes])
        kernel = np.concatenate([weights[::-1], weights]) * (1 - np.abs(both))
        half_u, half_v = (w1 + w2)[near] / 2, (t1 + t2)[near] / 2
        u = du[near, None] + half_u[:, None] * both
        v = dv[near, None] + half_v[:, None] * both
        distance2 = (u**2)[:, :, None] + (v**2)[:, None, :]
        for k in range(4):
            values = _remainder(h[k, near, None, None], distance2)
            out[k, near] = np.einsum("pij,i,j->p", values, kernel, kernel)
    return out


def _remainder(h: Array, distance2: Array) -> Array:
    s = np.sqrt(h * h + distance2)
    return np.asarray(h * np.log(np.maximum(h + s, 1e-300)) - s)


def _skew(
    p1: Array,
    e1: Array,
    l1: Array,
    p2: Array,
    e2: Array,
    l2: Array,
    c: Array,
    normal: Array,
    sine: Array,
    spread2: Array,
) -> Array:
    """Neumann's integral at an angle, measured from the feet of the common perpendicular (Campbell 1915)."""
    gap = p1 - p2
    g2 = np.einsum("ij,ij->i", gap, e2)
    s2 = sine * sine
    # Distances from the feet grow as 1 / sine; p and q below are written so as not to take their difference.
    lean = np.einsum("ij,ij->i", gap, np.cross(e2, normal))
    s_start = lean / s2
    t_start = c * s_start - g2
    d2 = (np.einsum("ij,ij->i", gap, normal) / sine) ** 2 + spread2
    d = np.sqrt(d2)
    total = np.zeros(len(l1))
    for more_s, sign_s in ((l1, 1.0), (0.0, -1.0)):
        for more_t, sign_t in ((l2, 1.0), (0.0, -1.0)):
            s, t = s_start + more_s, t_start + more_t
            p = more_t - g2 - c * more_s  # t - s c
            q = lean + c * g2 + more_s - c * more_t  # s - t c
            s_off2, t_off2 = s * s * s2 + d2, t * t * s2 + d2
            r = np.sqrt(p * p + s_off2)
            term = s * _asinh_ratio(p, s_off2) + t * _asinh_ratio(q, t_off2)
            term -= d / sine * np.arctan2(d2 * c + s * t * s2, d * r * sine)
            total += sign_s * sign_t * term
    return np.asarray(NH_PER_UM * c * total)


def _asinh_ratio(p: Array, q2: Array) -> Array:
    """asinh(p / sqrt(q2)), 0 where q2 vanishes (its factor vanishes there too)."""
    q = np.sqrt(q2)
    return np.arcsinh(np.divide(p, q, out=np.zeros_like(p), where=q > 1e-150))


def self_matrix(filaments: Filaments) -> Array:
    """The symmetric matrix of partial self- and mutual inductances, (N, N), in nH."""
    n = len(filaments.width_um)
    i, j = np.triu_indices(n, 1)
    out = np.zeros((n, n))
    out[i, j] = mutual_pairs(filaments, i, filaments, j)
    out += out.T
    lengths = np.linalg.norm(filaments.end_um - filaments.start_um, axis=1)
    out[np.diag_indices(n)] = bar_self_inductance(lengths, filaments.width_um, filaments.thickness_um)
    return out


def filament_pair_nh(start_1: Array, end_1: Array, start_2: Array, end_2: Array) -> float:
    """Neumann's integral of two ideal filaments given by end points (3,) in um, in nH."""
    zero = np.zeros(1)
    first = Filaments(np.atleast_2d(start_1), np.atleast_2d(end_1), zero, zero)
    second = Filaments(np.atleast_2d(start_2), np.atleast_2d(end_2), zero, zero)
    index = np.zeros(1, dtype=np.intp)
    return float(mutual_pairs(first, index, second, index)[0])
