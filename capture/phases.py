"""Support and flight: when hands leave a rail and when they take one again, or the feet land.

Streaming and offline use the same code. With rails, a flight is proposed when the hands are seen away
from a rail they were holding, and believed only when the centre of mass then falls freely. Away from
the bars the free fall alone tells. Release, regrasp and landing are timed finer than a frame by
fitting how the hands leave (or meet) the rail and how the centre of mass leaves its parabola.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from bridge.messages import EndKind, Phase
from bridge.skeleton import INDEX
from capture.ballistics import GRAVITY, Flightpath, fit_flightpath
from capture.body import centre_of_mass, complete, joint_weights, middle
from capture.camera import View, px_per_m
from capture.observation import JointObservation
from capture.rig import Rail

Floats = NDArray[np.float64]

NS: Final = 1_000_000_000
# The figures below are our own choices, tried on simulated routines; none comes from a publication.
GRIP_M: Final = 0.08  # wrist to rail axis before it is learnt: de Leva's wrist to metacarpale 3
GRIP_RANGE_M: Final = (0.02, 0.16)
NEAR_M: Final = 0.09  # a hand this much beyond the grip may still hold
LEFT_M: Final = 0.045  # the middle of both hands this much beyond the grip has left
HAND_U_M: Final = 0.05  # a hand known no better than this is not seen to hold a rail
FAR_U: Final = 3.0  # nor to be off it, unless it is this many standard uncertainties away
REACH_M: Final = 0.5  # hands this near to a rail: whatever is at the mat, she has not landed
LEARNT: Final = 20  # pictures of a held rail from which its grip is known
STILL_M: Final = 0.08  # a hand that holds moves less than this meanwhile
AGREE_NS: Final = 30_000_000  # for so long pictures must agree before support begins or ends,
FEWEST: Final = 3  # and so many at least
SUPPORT_NS: Final = 150_000_000  # support must have lasted this long before a release
LONGEST_NS: Final = 2 * NS  # no flight on the bars lasts longer
LOST_NS: Final = NS // 2  # unseen this long, she is lost
LANDED_M: Final = 0.22  # a joint this low over the mat: the feet are down (ankle about 0.1 m over the sole)
SHORTEST_S: Final = 0.10
WINDOW_S: Final = 0.25  # free fall must show over this long where there are no rails
SLOWEST_G: Final = 0.5 * GRAVITY  # what "falls" slower than this is held or stands
FASTEST_G: Final = 2.0 * GRAVITY
FASTEST_HAND_M_S: Final = 9.0  # of a hand in the first picture off a rail, or the last before it
HELD_SHARE: Final = 0.4  # a limb that stirs less than this share of the centre of mass is held
OUTSIDE_S: Final = 0.08  # beyond the flight the body is followed so long for the edge
HANDS_S: Final = 0.06  # off the rail the hands are followed so long for the edge
OUTSIDE_U_M: Final = 0.007  # what the edge model leaves out of the body's course there
EDGE_FLOOR_S: Final = 0.006  # of any edge time: what the edge models leave out
MISLED: Final = 0.05  # chance that one signal says nothing about the edge
DRIFT_S: Final = 0.06  # for so long a network errs alike
DRIFT_SHARE: Final = 0.5  # of a limb's claimed uncertainty that drifts
DRIFT_MASS: Final = 2.0  # drift of the centre of mass over its uncertainty were the joints independent
LIMB_FLOOR_M: Final = 0.006  # least scatter of the middle of both hands or feet
GRIP_U_M: Final = 0.02  # the grip at this edge against the usual one
ANKLE_M: Final = 0.10  # ankle over the mat when the sole is down

# What the signals do by TERM_S from an edge, from the forces and speeds usual on the bars (metres): a pull
# of one to three times the weight, hands that leave at some 50 m/s2 and come at some 3 m/s, feet at 5 m/s.
TERM_S: Final = 0.1

_WRISTS = (INDEX["right_wrist"], INDEX["left_wrist"])
_ANKLES = (INDEX["right_ankle"], INDEX["left_ankle"])
_WEIGHTS = joint_weights()


@dataclass(frozen=True, slots=True)
class Sample:
    """The gymnast in one frame, in the flight plane (metres)."""

    t_ns: int
    px: Floats  # (14, 2)
    joints: Floats  # (14, 2) x and z; NaN where not found
    sigma_m: Floats  # (14,)
    com: Floats  # (2,)
    com_u_m: float
    hips: Floats  # (2,) middle of the hip joints
    hips_u_m: float


def sample_of(observation: JointObservation, view: View) -> Sample:
    """Bring one observation into the flight plane."""
    joints = view.to_plane(observation.px)
    filled = complete(joints)
    hips = middle(filled, "hip")
    scale = px_per_m(view, hips) if np.isfinite(hips).all() else math.nan
    sigma = observation.sigma_px / scale
    known = np.where(np.isfinite(sigma), sigma, np.nanmax(sigma) if np.isfinite(sigma).any() else math.nan)
    return Sample(
        t_ns=observation.t_ns,
        px=observation.px,
        joints=joints,
        sigma_m=sigma,
        com=centre_of_mass(joints),
        com_u_m=float(np.sqrt(((_WEIGHTS * known) ** 2).sum())),
        hips=hips,
        hips_u_m=float(np.hypot(known[INDEX["right_hip"]], known[INDEX["left_hip"]]) / 2),
    )


@dataclass(frozen=True, slots=True)
class Span:
    """A proposed flight: times inside it, from which the edges are refined."""

    first_ns: int  # first picture with the hands off
    last_ns: int  # last picture before regrasp or landing
    start_rail: str  # rail left; "" away from the bars
    end_rail: str  # rail taken; "" on landing
    end_kind: EndKind


@dataclass(frozen=True, slots=True)
class Edge:
    """A moment found between pictures, seconds from the origin given, and its standard uncertainty."""

    t_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class Grip:
    """Distance from the middle of the hands to the axis of a rail they hold, and its scatter."""

    m: float = GRIP_M
    u_m: float = 0.015


@dataclass(frozen=True, slots=True)
class Left:
    """The hands have left a rail and have stayed off for some pictures."""

    first_ns: int
    rail: str


@dataclass(frozen=True, slots=True)
class Given:
    """A proposed flight came to nothing: she was lost, or it never ended."""

    first_ns: int
    last_ns: int
    rail: str
    why: Literal["lost", "endless", "not falling"]


Event = Left | Span | Given


def times_s(samples: Sequence[Sample], origin_ns: int) -> Floats:
    """Times (n,) in seconds from ``origin_ns``."""
    return np.array([(s.t_ns - origin_ns) / NS for s in samples])


def fit_samples(
    samples: Sequence[Sample], origin_ns: int, begin_s: float, end_s: float, g: float | None = GRAVITY
) -> Flightpath | None:
    """Robust parabola through the centres of mass between two times."""
    t = times_s(samples, origin_ns)
    inside = (t >= begin_s) & (t <= end_s)
    if inside.sum() < 5:
        return None
    com = np.array([s.com for s in samples])[inside]
    u = np.array([s.com_u_m for s in samples])[inside]
    return fit_flightpath(t[inside], com, np.where(np.isfinite(u), u, 0.01), g)


def held_still(samples: Sequence[Sample]) -> bool:
    """Whether a hand or a foot stays where it is while the centre of mass moves: the body is held.

    In the air every joint shares the fall of the centre of mass; only a limb that is held keeps its
    place. Compared are the median distances from the median place, which stray joints hardly move.
    """
    moved = _stir(np.array([s.com for s in samples]))
    return any(
        _stir(np.array([s.joints[limb] for s in samples])) < HELD_SHARE * moved
        for limb in (*_WRISTS, *_ANKLES)
    )


def hands_jump(samples: Sequence[Sample], span: Span, rails: Sequence[Rail]) -> bool:
    """Whether the hands left the rail and came back faster than hands can: the network misplaced them."""
    if span.end_kind != "regrasp":
        return False
    axis = {r.name: r.axis for r in rails}
    hands = np.array([middle(complete(s.joints), "wrist") for s in samples])
    t_ns = np.array([s.t_ns for s in samples])
    seen = np.isfinite(hands).all(axis=1)
    t_ns, hands = t_ns[seen], hands[seen]
    for rail, at_ns in ((span.start_rail, span.first_ns), (span.end_rail, span.last_ns)):
        after = int(np.searchsorted(t_ns, at_ns))
        if not 0 < after < len(t_ns):
            return False
        near, far = np.sort(np.linalg.norm(hands[after - 1 : after + 1] - axis[rail], axis=1))
        if (far - near) * NS < FASTEST_HAND_M_S * (t_ns[after] - t_ns[after - 1]):
            return False
    return True


def _stir(path: Floats) -> float:
    """Median distance of points (n, 2) from their median; infinite when fewer than five are seen."""
    seen = path[np.isfinite(path).all(axis=1)]
    if len(seen) < 5:
        return math.inf
    return float(np.median(np.linalg.norm(seen - np.median(seen, axis=0), axis=1)))


class GripWatch:
    """Hands against rails: which rail is held, and the grip distance learnt from support."""

    def __init__(self, rails: Sequence[Rail]) -> None:
        self._rails = tuple(rails)
        self._axes = np.array([r.axis for r in rails]).reshape(-1, 2)
        self._learnt: dict[str, deque[float]] = {r.name: deque(maxlen=600) for r in rails}
        self._recent: deque[Sample] = deque()

    def grip(self, rail: str) -> Grip:
        """The usual grip on a rail, learnt while it is held."""
        learnt = np.array(self._learnt[rail])
        if len(learnt) < LEARNT:
            return Grip()
        middle_m = float(np.median(learnt))
        scatter = float(1.4826 * np.median(np.abs(learnt - middle_m)))
        low, high = GRIP_RANGE_M
        return Grip(min(max(middle_m, low), high), max(scatter, 0.004))

    def push(self, sample: Sample) -> None:
        """Take the next picture."""
        self._recent.append(sample)
        while len(self._recent) > FEWEST and sample.t_ns - self._recent[1].t_ns >= AGREE_NS:
            self._recent.popleft()

    def learn(self, rail: str) -> None:
        """Both hands hold ``rail`` now: remember how far they are."""
        hands, _ = self._hands(self._recent[-1])
        if np.isfinite(hands).all():
            self._learnt[rail].append(float(np.linalg.norm(hands.mean(axis=0) - self._axis(rail))))

    def _axis(self, rail: str) -> Floats:
        index = [r.name for r in self._rails].index(rail)
        axis: Floats = self._axes[index]
        return axis

    @staticmethod
    def _hands(sample: Sample) -> tuple[Floats, Floats]:
        """Both hands (2, 2) and their uncertainties (2,), metres."""
        return sample.joints[list(_WRISTS)], sample.sigma_m[list(_WRISTS)]

    @property
    def since_ns(self) -> int:
        """The first of the pictures that :meth:`held` looks at."""
        return self._recent[0].t_ns

    def near(self) -> bool:
        """Whether the newest picture shows a hand within reach of a rail."""
        hands, u = self._hands(self._recent[-1])
        away = np.linalg.norm(hands[:, None] - self._axes[None], axis=2)
        return bool((away[u < HAND_U_M] < REACH_M).any())

    def held(self) -> str | None:
        """The rail that a hand has stayed close to for :data:`AGREE_NS`, without moving."""
        if len(self._recent) < FEWEST:
            return None
        for rail in self._rails:
            # Until a grip is learnt, she may hold anywhere along the rail: off the flight plane.
            learnt = len(self._learnt[rail.name]) >= LEARNT
            reach = self.grip(rail.name).m + (NEAR_M if learnt else 2 * NEAR_M)
            for hand in range(len(_WRISTS)):
                path = np.array([self._hands(s)[0][hand] for s in self._recent])
                if not all(self._hands(s)[1][hand] < HAND_U_M for s in self._recent):
                    continue
                close = np.linalg.norm(path - rail.axis, axis=1) < reach
                if close.all() and np.linalg.norm(path[-1] - path[0]) < STILL_M:
                    return rail.name
        return None

    def off(self, rail: str) -> int | None:
        """Whether both hands are off ``rail`` in the newest picture; None when that cannot be told.

        0: they hold it; 1: they are off; 2: they are clearly off.
        """
        hands, u = self._hands(self._recent[-1])
        grip = self.grip(rail)
        away = np.linalg.norm(hands - self._axis(rail), axis=1)
        seen = (u < HAND_U_M) | (away - grip.m > FAR_U * u)
        if not seen.any():
            return None
        distances = away[seen]
        if (distances > grip.m + NEAR_M).all():
            return 2 if seen.all() else 1
        if seen.all():
            between = float(np.linalg.norm(hands.mean(axis=0) - self._axis(rail)))
            off = between > grip.m + max(LEFT_M, 5 * grip.u_m) and (distances > grip.m + LEFT_M / 2).all()
            return int(off)
        return 0


@dataclass(slots=True)
class _Spell:
    """Pictures one after another that say the same."""

    since_ns: int = 0
    pictures: int = 0
    weight: int = 0

    def count(self, now_ns: int, weight: int = 1) -> bool:
        """One more, which may weigh double; returns whether they are enough to believe."""
        if self.pictures == 0:
            self.since_ns = now_ns
        self.pictures += 1
        self.weight += weight
        long = (now_ns - self.since_ns) * self.weight >= AGREE_NS * self.pictures
        return long and self.weight >= FEWEST

    def doubt(self) -> None:
        """One picture says otherwise."""
        self.pictures = max(self.pictures - 1, 0)
        self.weight = max(self.weight - 1, 0)

    def clear(self) -> None:
        """Begin again."""
        self.pictures = self.weight = 0


class PhaseWatch:
    """Follows support and flight picture by picture.

    ``push`` returns what has just become known. ``phase`` is the phase now.
    """

    def __init__(self, view: View) -> None:
        self._rails = view.rails
        self._floor_m = view.floor_m
        self._grips = GripWatch(view.rails)
        self._history: deque[Sample] = deque()
        self._held: str | None = None
        self._held_since_ns = 0
        self._off = _Spell()
        self._flight: Left | None = None
        self._low = _Spell()
        self._falling = False
        self._strays = _Spell()
        self._hits = _Spell()
        self._last_seen_ns: int | None = None

    @property
    def phase(self) -> Phase:
        """Support, flight, or away from the rails."""
        if self._flight is not None and self._falling:
            return "flight"
        return "support" if self._held is not None or self._flight is not None else "away"

    def grip(self, rail: str) -> Grip:
        """The usual grip on a rail."""
        return self._grips.grip(rail)

    def push(self, sample: Sample) -> Event | None:
        """Take the next picture; times must increase."""
        if np.isfinite(sample.com).all():
            self._last_seen_ns = sample.t_ns
        self._history.append(sample)
        while self._history[0].t_ns < sample.t_ns - LONGEST_NS - NS:
            self._history.popleft()
        return self._push_rails(sample) if self._rails else self._push_free(sample)

    # --- on the bars ------------------------------------------------------------------------

    def _push_rails(self, sample: Sample) -> Event | None:
        self._grips.push(sample)
        now_held = self._grips.held()
        if self._flight is not None:
            return self._in_flight(sample, now_held)
        if self._held is None:
            if now_held is not None:
                self._held, self._held_since_ns = now_held, sample.t_ns
                self._off.clear()
            return None
        off = self._grips.off(self._held)
        if off is None:
            if self._last_seen_ns is not None and sample.t_ns - self._last_seen_ns > LOST_NS:
                self._held = None
            return None
        if not off:
            self._off.clear()
            if now_held == self._held:
                self._grips.learn(self._held)
            return None
        if not self._off.count(sample.t_ns, off):
            return None
        rail, self._held = self._held, None
        first = self._off.since_ns
        self._off.clear()
        if first - self._held_since_ns < SUPPORT_NS:
            return None
        self._begin(Left(first, rail))
        return self._flight

    def _begin(self, left: Left) -> None:
        self._flight = left
        self._falling = False
        self._low.clear()

    def _in_flight(self, sample: Sample, now_held: str | None) -> Event | None:
        left = self._flight
        assert left is not None
        if not self._falling:
            self._falling = self._falls(left.first_ns, sample.t_ns)
        if now_held is not None:
            self._flight, self._held, self._held_since_ns = None, now_held, sample.t_ns
            met_ns = max(self._grips.since_ns, left.first_ns)
            return Span(left.first_ns, met_ns, left.rail, now_held, "regrasp")
        if self._landed(sample):
            self._flight = None
            return Span(left.first_ns, self._low.since_ns, left.rail, "", "landing")
        if self._last_seen_ns is None or sample.t_ns - self._last_seen_ns > LOST_NS:
            self._flight = None
            return Given(left.first_ns, sample.t_ns, left.rail, "lost")
        if sample.t_ns - left.first_ns > LONGEST_NS:
            self._flight = None
            return Given(left.first_ns, sample.t_ns, left.rail, "endless")
        return None

    def _landed(self, sample: Sample) -> bool:
        """Whether joints have been at the mat in most of the newest pictures."""
        if self._floor_m is None or self._grips.near():
            return False
        heights = sample.joints[:, 1]
        low = bool(
            np.isfinite(heights).any()
            and np.sort(heights[np.isfinite(heights)])[:2].mean() < self._floor_m + LANDED_M
        )
        if low:
            return self._low.count(sample.t_ns)
        self._low.doubt()
        return False

    def _falls(self, first_ns: int, now_ns: int) -> bool:
        """Whether the centre of mass has fallen freely since ``first_ns``, as far as can be told yet."""
        if now_ns - first_ns < 0.08 * NS:
            return False
        path = fit_samples(list(self._history), first_ns, 0.0, (now_ns - first_ns) / NS, None)
        if path is None or path.u_g > 0.4 * GRAVITY:
            return False
        return SLOWEST_G < path.g_m_s2 < FASTEST_G

    # --- away from the bars -----------------------------------------------------------------

    def _push_free(self, sample: Sample) -> Event | None:
        now_ns = sample.t_ns
        if self._flight is None:
            if not self._falls_freely(now_ns):
                self._hits.clear()
            elif self._hits.count(now_ns):
                self._begin(Left(self._first_falling(now_ns), ""))
                self._falling = True
                self._strays.clear()
                self._hits.clear()
                return self._flight
            return None
        left = self._flight
        if self._last_seen_ns is None or now_ns - self._last_seen_ns > LOST_NS:
            self._flight = None
            return Given(left.first_ns, now_ns, "", "lost")
        if now_ns - left.first_ns > LONGEST_NS:
            self._flight = None
            return Given(left.first_ns, now_ns, "", "endless")
        if not np.isfinite(sample.com).all():
            return None
        path = fit_samples(
            list(self._history), left.first_ns, 0.0, (now_ns - left.first_ns) / NS - 0.5 * WINDOW_S
        )
        if path is None:
            return None
        miss = float(np.linalg.norm(sample.com - path.at((now_ns - left.first_ns) / NS)))
        allowed = max(5 * path.rms_m, 0.06)
        if miss <= allowed:
            self._strays.clear()
            return None
        if not self._strays.count(now_ns):
            return None
        self._flight = None
        return Span(left.first_ns, self._strays.since_ns, "", "", "landing")

    def _falls_freely(self, now_ns: int) -> bool:
        recent = [s for s in self._history if s.t_ns >= now_ns - WINDOW_S * NS]
        path = fit_samples(recent, now_ns, -WINDOW_S - 0.01, 0.0, None)
        if path is None or path.t_last_s - path.t_first_s < 0.8 * WINDOW_S:
            return False
        allowed = max(0.25 * GRAVITY, 2 * path.u_g)
        if path.u_g > 0.3 * GRAVITY or abs(path.g_m_s2 - GRAVITY) > allowed or path.rms_m > 0.05:
            return False
        return not held_still(recent)

    def _first_falling(self, now_ns: int) -> int:
        """The earliest picture from which the centre of mass has been on the parabola it is on now."""
        recent = [s for s in self._history if s.t_ns >= now_ns - WINDOW_S * NS]
        first = recent[0].t_ns
        path = fit_samples(recent, now_ns, -WINDOW_S - 0.01, 0.0)
        if path is None:
            return first
        for s in reversed([s for s in self._history if s.t_ns < first]):
            if first - s.t_ns > WINDOW_S * NS:  # too long unseen to tell
                break
            if not np.isfinite(s.com).all():
                continue
            if np.linalg.norm(s.com - path.at((s.t_ns - now_ns) / NS)) > max(3 * path.rms_m, 0.03):
                break
            first = s.t_ns
        return first


# --- edges between pictures ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Term:
    """A power of the time from the edge, and how far it usually takes a signal in :data:`TERM_S`."""

    power: int
    usual: float
    u: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """One signal that changes its course at the edge; its noise is the same in each component.

    ``before`` and ``after`` hold what it may do on either side of the edge, ``level`` its usual value
    at the edge with the standard uncertainty of that.
    """

    t_s: Floats  # (n,)
    value: Floats  # (n, k)
    sigma: Floats  # (n,) of what differs from picture to picture
    drift: Floats  # (n,) of what stays for some :data:`DRIFT_S`
    before: tuple[Term, ...]
    after: tuple[Term, ...]
    level: tuple[float, float]


_PULLED: Final = (Term(2, 0.0, 0.15), Term(3, 0.0, 0.15))
_STOPPED: Final = (Term(1, 0.0, 0.3), Term(2, 0.0, 0.3))
_LEAVING: Final = (Term(2, 0.2, 0.15), Term(3, 0.1, 0.15))
_COMING: Final = (Term(1, 0.1, 0.2), Term(2, 0.2, 0.3), Term(3, 0.1, 0.3))
_FALLING: Final = (Term(1, 0.2, 0.3), Term(2, 0.2, 0.3), Term(3, 0.1, 0.3))
_STANDING: Final = (Term(1, 0.0, 0.03),)


def locate_edge(evidence: Sequence[Evidence], begin_s: float, end_s: float, step_s: float = 0.002) -> Edge:
    """Where several signals change course together.

    Bayesian change point: for every time on a grid each signal is a linear model in its terms with
    normal priors, its noise partly slow (exponential correlation), so that its marginal likelihood is
    that of one multivariate normal. Signals are independent, and each may be wrong altogether
    (:data:`MISLED`), so that one that contradicts the others widens the answer instead of moving it.
    The edge is the mean over the grid, its uncertainty the spread.
    """
    grid = np.arange(begin_s, end_s + step_s / 2, step_s)
    total = np.zeros_like(grid)
    for signal in evidence:
        likely = _log_likelihood(signal, grid)
        likely -= np.logaddexp.reduce(likely)
        total += np.logaddexp(math.log(1 - MISLED) + likely, math.log(MISLED / len(grid)))
    chance = np.exp(total - total.max())
    chance /= chance.sum()
    mean = float((grid * chance).sum())
    spread = float(np.sqrt(((grid - mean) ** 2 * chance).sum()))
    return Edge(mean, math.hypot(spread, EDGE_FLOOR_S))


def _log_likelihood(signal: Evidence, grid: Floats) -> Floats:
    """Logarithm (m,), up to a constant, of how likely a signal is with its edge at each time (m,)."""
    good = np.isfinite(signal.value).all(axis=1) & np.isfinite(signal.sigma)
    t, y, sigma, drift = signal.t_s[good], signal.value[good], signal.sigma[good], signal.drift[good]
    if len(t) < 4:
        return np.zeros_like(grid)
    # A sample far from the median of its neighbours, edge or not, counts for less.
    padded = np.pad(y, ((2, 2), (0, 0)), mode="reflect", reflect_type="odd")
    near = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5, axis=0), axis=-1)
    stray = np.linalg.norm(y - near, axis=1) / (3 * sigma)
    sigma = sigma * np.sqrt(1 + stray**2)
    alike = np.exp(-np.abs(t[:, None] - t[None, :]) / DRIFT_S)
    noise = np.diag(sigma**2) + drift[:, None] * alike * drift[None, :]
    s = (t[None, :] - grid[:, None]) / TERM_S
    columns, usual, u = [np.ones_like(s)], [signal.level[0]], [signal.level[1]]
    for terms, along in ((signal.before, np.maximum(-s, 0.0)), (signal.after, np.maximum(s, 0.0))):
        for term in terms:
            columns.append(along**term.power)
            usual.append(term.usual)
            u.append(term.u)
    a = np.stack(columns, axis=-1)
    off = y - (a @ np.array(usual))[..., None]
    a = a * np.array(u)
    covariance = noise + a @ a.transpose(0, 2, 1)
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, off)
    spread = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * (white**2).sum(axis=(1, 2)) - y.shape[1] * spread, dtype=np.float64)


# Where an edge is looked for about a first guess: before, after.
_REACH_S: Final = {
    ("start", "regrasp"): (0.16, 0.08),
    ("end", "regrasp"): (0.08, 0.16),
    ("end", "landing"): (0.10, 0.10),
}


def refine(
    samples: Sequence[Sample],
    span: Span,
    rails: Sequence[Rail],
    grip: tuple[Grip, Grip],
    floor_m: float | None,
) -> tuple[Edge, Edge, Flightpath] | None:
    """Edges of a flight, seconds from ``span.first_ns``, and the parabola between them.

    Returns:
        None when too few pictures show her.
    """
    origin = span.first_ns
    t = times_s(samples, origin)
    length = (span.last_ns - origin) / NS
    start, end = Edge(0.0, 0.02), Edge(length, 0.02)
    axis = {r.name: r.axis for r in rails}
    guess = (start.t_s, end.t_s)
    for _ in range(3):
        inner = (start.t_s + 0.008, end.t_s - 0.008)
        path = fit_samples(samples, origin, *inner)
        if path is None:
            path = fit_samples(samples, origin, start.t_s - 0.02, end.t_s + 0.02)
        if path is None:
            return None
        hold = (axis.get(span.start_rail), grip[0])
        start = _edge(samples, t, path, hold, floor_m, guess[0], start.t_s, "start", "regrasp")
        hold = (axis.get(span.end_rail), grip[1])
        end = _edge(samples, t, path, hold, floor_m, guess[1], end.t_s, "end", span.end_kind)
        if end.t_s - start.t_s < 0.05:
            return None
    final = fit_samples(samples, origin, start.t_s + 0.004, end.t_s - 0.004)
    return None if final is None else (start, end, final)


def _edge(
    samples: Sequence[Sample],
    t: Floats,
    path: Flightpath,
    hold: tuple[Floats | None, Grip],
    floor_m: float | None,
    guess_s: float,
    about_s: float,
    side: Literal["start", "end"],
    kind: EndKind,
) -> Edge:
    reach_before, reach_after = _REACH_S[(side, kind)]
    window = (t >= about_s - reach_before - 0.04) & (t <= about_s + reach_after + 0.04)
    chosen = [s for s, inside in zip(samples, window, strict=True) if inside]
    tw = t[window]
    if len(tw) < 4:
        return Edge(about_s, 0.02)
    evidence = [_body_evidence(chosen, tw, path, about_s, side, kind)]
    axis, grip = hold
    if axis is not None:
        evidence.append(_hand_evidence(chosen, tw, axis, grip, about_s, side))
    elif kind == "landing" and side == "end":
        evidence.append(_feet_evidence(chosen, tw, floor_m))
    return locate_edge(evidence, guess_s - reach_before, guess_s + reach_after)


def _body_evidence(
    chosen: Sequence[Sample],
    t: Floats,
    path: Flightpath,
    about_s: float,
    side: Literal["start", "end"],
    kind: EndKind,
) -> Evidence:
    """Beyond the flight the centre of mass leaves its parabola: with a step in acceleration on a rail,
    on the mat almost with one in speed. Only the first moments follow such a law.
    """
    near = (t >= about_s - OUTSIDE_S) if side == "start" else (t <= about_s + OUTSIDE_S)
    off = np.array([s.com for s in chosen]) - path.at(t)
    u = np.array([s.com_u_m for s in chosen])
    u = np.where(np.isfinite(u), u, 0.01)
    drift = np.hypot(DRIFT_MASS * u, OUTSIDE_U_M)
    terms = _STOPPED if kind == "landing" and side == "end" else _PULLED
    before, after = (terms, ()) if side == "start" else ((), terms)
    return Evidence(
        t[near], off[near], np.maximum(u, path.rms_m)[near], drift[near], before, after, (0.0, 0.004)
    )


def _hand_evidence(
    chosen: Sequence[Sample],
    t: Floats,
    axis: Floats,
    grip: Grip,
    about_s: float,
    side: Literal["start", "end"],
) -> Evidence:
    """Hands at rest on the rail leave it gathering speed; they meet it at speed and stop."""
    joints = np.array([complete(s.joints) for s in chosen])
    distance = np.linalg.norm(middle(joints, "wrist") - axis, axis=1)
    sigma, drift = _limb_noise(chosen, _WRISTS, distance)
    level = (grip.m, math.hypot(grip.u_m, GRIP_U_M))
    if side == "start":
        near = t <= about_s + HANDS_S
        return Evidence(t[near], distance[near, None], sigma[near], drift[near], (), _LEAVING, level)
    near = t >= about_s - HANDS_S
    return Evidence(t[near], distance[near, None], sigma[near], drift[near], _COMING, (), level)


def _feet_evidence(chosen: Sequence[Sample], t: Floats, floor_m: float | None) -> Evidence:
    """Feet come down at speed and stop on the mat."""
    joints = np.array([complete(s.joints) for s in chosen])
    heights = middle(joints, "ankle")[:, 1]
    sigma, drift = _limb_noise(chosen, _ANKLES, heights)
    lowest = float(np.nanmin(heights)) if np.isfinite(heights).any() else 0.0
    level = (lowest, 0.10) if floor_m is None else (floor_m + ANKLE_M, 0.06)
    return Evidence(t, heights[:, None], sigma, drift, _FALLING, _STANDING, level)


def _limb_noise(chosen: Sequence[Sample], limbs: tuple[int, int], value: Floats) -> tuple[Floats, Floats]:
    """Scatter and drift (n,) of the middle of two joints, metres.

    The drift is a share of what the network claims. The scatter is what the network claims, or less
    when the pictures show it: by second differences, whose median the motion itself hardly touches.
    """
    claimed = np.array([float(np.hypot(*s.sigma_m[list(limbs)])) / 2 for s in chosen])
    claimed = np.where(np.isfinite(claimed), claimed, 0.02)
    known = value[np.isfinite(value)]
    shown = math.inf
    if len(known) >= 8:
        shown = 1.4826 * float(np.median(np.abs(np.diff(known, 2)))) / math.sqrt(6)
    return np.clip(claimed, LIMB_FLOOR_M, max(shown, LIMB_FLOOR_M)), DRIFT_SHARE * claimed
