"""Gross mistakes of a run, recognised and named: exchanged points, a mirror image, a wrong face.

Only runs whose fit looks suspicious are looked at closer, so that many good ones cost little.
Nothing is ever put right here: the words go with the file, and people decide.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spc.alignment.hits import average_hits
from spc.alignment.motions import axis_words
from spc.alignment.patch import patch_normals
from spc.alignment.recognise import RATIO_SLACK, recognise
from spc.alignment.rotation import superpose
from spc.plan import Plan
from spc.studies.arrays import Array, PlanArrays, plan_arrays
from spc.studies.fitting import Fitted
from spc.studies.plan_hold import listed
from spc.units import spoken_length

Bools = npt.NDArray[np.bool_]

UNIT, MIRRORED, EXCHANGED, ELSEWHERE, FACE, ARRANGEMENT, UNSEEN = (
    "unit", "mirrored", "exchanged", "elsewhere", "face", "arrangement", "unseen",
)  # fmt: skip
#: A point farther than this from its place was probed elsewhere, mm; on small parts no more than
#: the first share of the part's size, on large ones no less than the second (common practice, no
#: published source).
FAR, SMALL_SHARE, LARGE_SHARE = 25.0, 0.15, 0.05
#: Hits that look this much another way than the plan stand on another face, degrees (common
#: practice, no published source). Hits nearer together than this, mm, make no plane to speak of.
TILTED, SMALLEST_PATCH = 30.0, 1.0
#: With a larger share of the points far from their places no single point can be named.
MOST_FAR = 1 / 3
#: Points among which exchanges are looked for: those farthest from their places.
TRIED = 40
#: Suspicious runs, of some thousand that come together, that are looked at closer: where there are
#: so many, they have one cause, and the first show it.
CLOSER = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """A gross mistake of one run.

    Parameters
    ----------
    kind
        ``unit``, ``mirrored``, ``exchanged``, ``elsewhere``, ``face``, ``arrangement`` or
        ``unseen``.
    points
        The points concerned; empty where it is the whole run.
    words
        What it looks like, in a sentence without a full stop.
    """

    kind: str
    points: tuple[str, ...]
    words: str


_UNSEEN = Mistake(
    kind=UNSEEN, points=(),
    words="as suspicious as those above, and not looked at closer, since there are so many",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Run:
    """One run: where its points are, mm in the arm's frame, and where they should be."""

    geometry: PlanArrays
    means: Array
    hits: Array
    limit: float
    unit: str

    @property
    def there(self) -> Bools:
        return np.asarray(np.isfinite(self.means).all(axis=1))


def mistakes(plan: Plan, hits: Array, fitted: Fitted) -> tuple[tuple[Mistake, ...], ...]:
    """Return the gross mistakes of each run; none for most.

    Parameters
    ----------
    plan
        The plan.
    hits
        (runs, points, hits, 3), mm in the arm's frame.
    fitted
        Their fits.
    """
    geometry = plan_arrays(plan)
    limit = _limit(geometry)
    closer = _suspicious(fitted, hits, geometry, limit)
    if not closer.any():
        return ((),) * len(hits)
    means, _ = average_hits(hits)
    rank = np.cumsum(closer)
    return tuple(
        ()
        if not closer[k]
        else _found(
            _Run(geometry=geometry, means=means[k], hits=hits[k], limit=limit, unit=plan.unit)
        )
        if rank[k] <= CLOSER
        else (_UNSEEN,)
        for k in range(len(hits))
    )


def _limit(geometry: PlanArrays) -> float:
    about = geometry.aims - geometry.aims.mean(axis=0)
    size = float(np.sqrt((about**2).sum(axis=1).mean()))
    return min(max(FAR, LARGE_SHARE * size), SMALL_SHARE * size)


def _suspicious(fitted: Fitted, hits: Array, geometry: PlanArrays, limit: float) -> Bools:
    """Return (runs,), whose fit does not look like a plain one of the plan."""
    fit = fitted.fit
    away = np.nan_to_num(np.hypot(fit.deviations, fit.tangential)).max(axis=1, initial=0.0)
    sized = np.abs(np.nan_to_num(fitted.size_ratio, nan=1.0) - 1.0) > RATIO_SLACK
    tilted = _any_tilted(hits, fit.rotation, geometry)
    return np.asarray(~fitted.resembles | fit.mirrored | (away > limit) | sized | tilted)


def _any_tilted(hits: Array, rotation: Array, geometry: PlanArrays) -> Bools:
    """Return (runs,), with a patch whose hits look another way; few need a plane through them.

    Of the hits' covariance let w be the variance along the normal and m the smaller eigenvalue
    across it. A plane tilted by t has w >= l sin² t, l being the covariance's middle eigenvalue,
    and l >= m (Cauchy's interlacing). So no patch with w < m sin² t is tilted by t or more. And the
    hits' whole variance is no less than that within their plane.
    """
    seen = _variances(hits, geometry.normals @ rotation)
    large = seen.across + seen.along >= seen.count * SMALLEST_PATCH**2
    # A little more than rounding can take is let through; few need to be looked at twice.
    bound = seen.smaller * np.sin(np.radians(TILTED)) ** 2 - 1e-9 * seen.across
    run, point = np.nonzero(large & (seen.along >= bound))
    found = np.zeros(len(hits), dtype=np.bool_)
    if not run.size:
        return found
    axes = np.stack([_axes_with(normal) for normal in geometry.normals])
    turns = axes[point] @ rotation[run]
    plane = patch_normals(hits[run, point][:, None], turns, [[0.0, 0.0, 1.0]])
    with np.errstate(invalid="ignore"):  # points without a plane of their own compare as false
        flagged = (plane.angles[:, 0] > TILTED) & (plane.extent[:, 0] >= SMALLEST_PATCH)
    found[run[flagged]] = True
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Variances:
    """Sums of squares of hits about their mean, mm², each (runs, points); NaN without a normal.

    Parameters
    ----------
    count
        Hits of the patch, 1 where there is none.
    along
        Along the normal.
    across, smaller
        Across it: in all, and along the axis in which the hits spread less.
    """

    count: npt.NDArray[np.int64]
    along: Array
    across: Array
    smaller: Array


def _variances(hits: Array, normals: Array) -> _Variances:
    """Return how hits (runs, points, hits, 3) spread about unit normals (runs, points, 3).

    Across a unit normal n a covariance C has the trace tr C - n·C n and the determinant n·adj(C) n.
    """
    missing = np.isnan(hits[..., 0])
    count = np.maximum(hits.shape[2] - np.einsum("rph->rp", missing.astype(np.int64)), 1)
    a, b, c = (_about(hits[..., k].copy(), missing, count) for k in range(3))
    aa, bb, cc, bc, ac, ab = (
        np.einsum("rph,rph->rp", one, other)
        for one, other in ((a, a), (b, b), (c, c), (b, c), (a, c), (a, b))
    )
    x, y, z = np.moveaxis(normals, -1, 0)
    along = aa * x**2 + bb * y**2 + cc * z**2 + 2.0 * (bc * y * z + ac * x * z + ab * x * y)
    across = aa + bb + cc - along
    determinant = (
        (bb * cc - bc**2) * x**2 + (aa * cc - ac**2) * y**2 + (aa * bb - ab**2) * z**2
        + 2.0 * ((ab * ac - aa * bc) * y * z + (ab * bc - bb * ac) * x * z
                 + (ac * bc - cc * ab) * x * y)
    )  # fmt: skip
    apart = np.sqrt(np.maximum(across**2 - 4.0 * determinant, 0.0))
    return _Variances(count=count, along=along, across=across, smaller=(across - apart) / 2.0)


def _about(values: Array, missing: Bools, count: npt.NDArray[np.int64]) -> Array:
    """Return one coordinate of hits about its mean, zero where a hit is missing; in place."""
    values[missing] = 0.0
    values -= (np.einsum("rph->rp", values) / count)[..., None]
    values[missing] = 0.0
    return values


def _axes_with(normal: Array) -> Array:
    """Return axes of which the third is this unit vector, as rows."""
    first = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(normal, first), normal])


def _tilted(hits: Array, rotation: Array, geometry: PlanArrays) -> tuple[Bools, Array, Array]:
    """Return which points' hits look another way, how they look, and by how many degrees."""
    plane = patch_normals(hits, rotation, geometry.normals)
    with np.errstate(invalid="ignore"):  # points without a plane of their own compare as false
        flagged = (plane.angles > TILTED) & (plane.extent >= SMALLEST_PATCH)
    return flagged, plane.normals, plane.angles


def _found(run: _Run) -> tuple[Mistake, ...]:
    there = run.there
    if there.sum() < 4:
        return ()
    kept = _farthest(run)
    seen = recognise(run.means[None, kept], run.geometry.aims[kept], run.geometry.normals[kept])
    if seen.unit[0]:
        return (_unit(float(seen.ratio[0]), seen.unit[0]),)
    if seen.mirrored[0]:
        words = "the positions are a mirror image of the plan: the other hand of the part?"
        return (Mistake(kind=MIRRORED, points=(), words=words),)
    pair = [int(kept[k]) for k in seen.exchanged[0] if k >= 0]
    if pair:
        return (_exchanged(run, pair), *_misplaced(_undone(run, pair)))
    return _misplaced(run)


def _unit(ratio: float, unit: str) -> Mistake:
    words = f"the points span {ratio:.4g} times the plan's extent: {unit}"
    return Mistake(kind=UNIT, points=(), words=words)


def _exchanged(run: _Run, pair: Sequence[int]) -> Mistake:
    names = tuple(run.geometry.names[k] for k in pair)
    words = f"{names[0]} and {names[1]} were probed in each other's place"
    return Mistake(kind=EXCHANGED, points=names, words=words)


def _undone(run: _Run, pair: Sequence[int]) -> _Run:
    """Return the run with two points exchanged back, to look for what else is wrong."""
    order = np.arange(len(run.means))
    order[list(pair)] = list(pair)[::-1]
    return _Run(
        geometry=run.geometry,
        means=run.means[order],
        hits=run.hits[order],
        limit=run.limit,
        unit=run.unit,
    )


def _farthest(run: _Run) -> npt.NDArray[np.int64]:
    """Return the points to try exchanges among: all, or those farthest from their places."""
    there = np.flatnonzero(run.there)
    if len(there) <= TRIED:
        return there
    gap = _gaps(run, run.there)[0]
    return np.sort(there[np.argsort(-np.linalg.norm(gap[there], axis=1), kind="stable")[:TRIED]])


def _gaps(run: _Run, used: Bools) -> tuple[Array, Array]:
    """Return how far each point lies from its place (points, 3), and the rotation found.

    The part is laid on the plan by the points ``used`` alone, point on point, in the plan's axes,
    its overall size taken out: a part that shrank by some per cent was not probed elsewhere.
    """
    filled = np.where(run.there[:, None], run.means, 0.0)
    found = superpose(
        filled[None], run.geometry.aims[None], used[None].astype(np.float64), scaled=True
    )
    moved = found.scale[0] * filled @ found.rotation[0].T + found.translation[0]
    gap = np.where(run.there[:, None], moved - run.geometry.aims, 0.0)
    return gap, found.rotation[0]


def _misplaced(run: _Run) -> tuple[Mistake, ...]:
    """Name points probed elsewhere: one after the other is taken out of laying the part on."""
    used, far = run.there.copy(), np.zeros(len(run.means), dtype=np.bool_)
    most = int(MOST_FAR * used.sum())
    gap, rotation = _gaps(run, used)
    while True:
        size = np.where(used, np.linalg.norm(gap, axis=1), 0.0)
        worst = int(np.argmax(size))
        if size[worst] <= run.limit:
            break
        if far.sum() >= most:
            return (_arrangement(run),)
        used[worst], far[worst] = False, True
        gap, rotation = _gaps(run, used)
    flagged, looks, angles = _tilted(run.hits[None], rotation[None], run.geometry)
    return tuple(
        _elsewhere(run, int(k), gap[k], looks[0, k], float(angles[0, k]) if flagged[0, k] else 0.0)
        for k in np.flatnonzero(far | flagged[0])
    )


def _arrangement(run: _Run) -> Mistake:
    words = (
        "many points lie far from their places, and no exchange of two explains it: another part, "
        "or names in another order?"
    )
    return Mistake(kind=ARRANGEMENT, points=(), words=words)


def _elsewhere(run: _Run, at: int, gap: Array, looks: Array, tilt: float) -> Mistake:
    name, normal = run.geometry.names[at], run.geometry.normals[at]
    away = float(np.linalg.norm(gap))
    words = []
    if tilt:
        words.append(
            f"the hits at {name} look along {axis_words(looks)}, {tilt:.0f}° from the plan's "
            f"normal {axis_words(normal)}: probed on another face?"
        )
    if away > run.limit:
        near = _nearest(run, at, gap)
        words.append(
            f"{name} was probed {spoken_length(away, run.unit, more=-2)} from its place"
            + (f", where {near} should be" if near else "")
        )
    return Mistake(
        kind=FACE if tilt else ELSEWHERE, points=(name,), words="; ".join(reversed(words))
    )


def _nearest(run: _Run, at: int, gap: Array) -> str:
    """Return the point of the plan at whose place this one was probed; empty where none."""
    aims = run.geometry.aims
    distance = np.linalg.norm(aims - (aims[at] + gap), axis=1)
    distance[at] = np.inf
    nearest = int(np.argmin(distance))
    return run.geometry.names[nearest] if distance[nearest] < run.limit else ""


def told(found: Sequence[tuple[Mistake, ...]], runs: Sequence[str]) -> list[str]:
    """Return one sentence for each mistake; ``runs`` that share it are named together."""
    alike: dict[tuple[str, tuple[str, ...]], list[tuple[str, str]]] = {}
    for run, some in zip(runs, found, strict=True):
        for one in some:
            alike.setdefault((one.kind, one.points), []).append((run, one.words))
    return [_sentence(shared) for shared in alike.values()]


def _sentence(shared: list[tuple[str, str]]) -> str:
    words = shared[0][1]
    # The distance differs a little from run to run; one figure is enough to know it by.
    first = " (in the first of them)" if any(w != words for _, w in shared) else ""
    return f"{_runs([run for run, _ in shared])}: {words}{first}"


def _runs(names: list[str]) -> str:
    if len(names) > 4:
        return f"runs {', '.join(names[:3])} and {len(names) - 3} more"
    return f"run{'s' if len(names) > 1 else ''} {listed(names)}"
