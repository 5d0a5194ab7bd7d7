"""Second harmonic along the crack: contact of the faces behind the tip, dissipation ahead of it.

Both zones heat twice a cycle, but about half a turn apart, and they lie on different sides of the tip; so they are told
apart by place and by the phase between them, never by absolute phase. The map is averaged across the crack to a complex
profile p(x), and one model with two zones is fitted to it:

    p(x) = C taper(x) + D bell(x),    taper = 1 + (x - x_s) / L from its start x_s back to x_s - L,    C, D complex

The taper is extrapolated through the noise: its end is where the contact fades to zero, not where it drops below the
noise. Each zone must earn its place by the fall of chi-square it brings.
"""
from dataclasses import dataclass
from math import erf

import numpy as np

from edge import williams

EARNED = 25.0           # fall of chi-square for a zone: 4 parameters and some 30 places it might have stood in
OPPOSITE_DEG = 100.0    # phase gap beyond which two zones are two
LEAST_LENGTH_PX = 2.5
LEAST_SHARE = 0.1       # of the zone ahead: less may be its own tail, shaped otherwise than the bell
BLUR_PX = 0.9
WIDTHS_PX = (1.2, 1.8, 2.7, 4.0)
AHEAD_PX = 30


@dataclass(frozen=True)
class Closure:
    """What 2f says; None: not found or not determined. Lengths in mm, back from the elastic tip for contact_length_mm,
    along the crack from it (negative: behind) for reversal_mm. contact_K, ahead_K: amplitudes on the crack line."""
    contact_length_mm: float | None = None
    contact_sd_mm: float | None = None
    contact_K: float | None = None
    contact_K_sd: float | None = None
    ahead_K: float | None = None
    ahead_K_sd: float | None = None
    phase_gap_deg: float | None = None
    phase_gap_sd_deg: float | None = None
    reversal_mm: float | None = None
    reversal_sd_mm: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Profile:
    """x_px (n,): along the crack from the tip, in pixels; values (n,) complex, K; sd (n,): of each component; width_px."""
    x_px: np.ndarray
    values: np.ndarray
    sd: np.ndarray
    width_px: float


def along_crack(h: np.ndarray, sd_K: float, usable: np.ndarray, tip: tuple[float, float], angle_deg: float, back_px: float,
                width_px: float) -> Profile:
    """Matched average across the crack: a strip with a bell-shaped profile of deviation width_px gives its peak value."""
    rows, columns = np.indices(h.shape)
    z = williams.to_crack(rows, columns, tip, angle_deg, 1.0)
    inside = usable & np.isfinite(h) & (np.abs(z.imag) < 3*width_px) & (z.real > -back_px) & (z.real < AHEAD_PX)
    weight = np.exp(-0.5*(z.imag[inside]/width_px)**2)
    place = np.floor(z.real[inside]+back_px).astype(int)
    n = int(back_px)+AHEAD_PX+1
    power = np.bincount(place, weight**2, n)
    first = np.bincount(place, weight**2*z.real[inside], n)
    full = power > 0.3*np.median(power[power > 0]) if power.any() else power > 0
    value = np.bincount(place, weight*h[inside].real, n)+1j*np.bincount(place, weight*h[inside].imag, n)
    p = power[full]
    return Profile(first[full]/p, value[full]/p, sd_K/np.sqrt(p), width_px)


def taper(x: np.ndarray, start: np.ndarray | float, length: np.ndarray | float) -> np.ndarray:
    """1 at `start`, falling linearly to 0 at start - length, none ahead of it; the step is blurred."""
    edge = np.vectorize(lambda u: 0.5*(1-erf(u/(BLUR_PX*2**0.5))))(x-start)
    return np.clip(1+np.minimum(x-start, 0)/length, 0, 1)*edge


def bell(x: np.ndarray, place: np.ndarray | float, size: np.ndarray | float) -> np.ndarray:
    return np.exp(-0.5*((x-place)/size)**2)


def analyse(h2: np.ndarray, sd_K: float, usable: np.ndarray, tip: tuple[float, float], angle_deg: float, mm_per_px: float,
            crack_mm: float) -> Closure:
    """Both zones from the corrected second-harmonic map h2 (rows, columns) complex, K, with deviation sd_K of each
    component, the load's own second harmonic taken out."""
    back_px = float(np.clip(crack_mm/mm_per_px, 12, 400))
    profiles = [along_crack(h2, sd_K, usable, tip, angle_deg, back_px, w) for w in WIDTHS_PX]
    profiles = [p for p in profiles if p.x_px.size > 15 and p.x_px.min() < -6 and p.x_px.max() > 4]
    if not profiles:
        return Closure(flags=("no_contact",))
    near = [float(np.sum(np.abs(p.values/p.sd)[np.abs(p.x_px) < 12]**2)) for p in profiles]
    profile = profiles[int(np.argmax(near))]
    fit = two_zones(profile)
    contact, ahead = _contact_stands(fit), fit.gain_bell > EARNED
    ahead_K = abs(fit.D) if ahead else None
    ahead_sd = fit.sd_of_amplitude(fit.D, 2) if ahead else None
    if not contact:
        return Closure(ahead_K=ahead_K, ahead_K_sd=ahead_sd, flags=("no_contact", "ahead_only") if ahead else ("no_contact",))
    sd = np.sqrt(np.diag(fit.covariance))
    end_sd = float(np.sqrt(max(0.0, fit.covariance[4, 4]+fit.covariance[5, 5]-2*fit.covariance[4, 5])))
    gap = gap_sd = reversal = reversal_sd = None
    if ahead:
        gap = abs(float(np.angle(fit.C/fit.D, deg=True)))
        gap_sd = float(np.degrees(np.hypot(fit.sd_of_amplitude(fit.C, 0)/abs(fit.C), fit.sd_of_amplitude(fit.D, 2)/abs(fit.D))))
        reversal = fit.reversal()
        reversal_sd = float(np.hypot(sd[5], 0.1)) if reversal is not None else None
    scale = mm_per_px
    return Closure((fit.length-fit.start)*scale, end_sd*scale, abs(fit.C), fit.sd_of_amplitude(fit.C, 0), ahead_K, ahead_sd, gap,
                   gap_sd, None if reversal is None else reversal*scale, None if reversal_sd is None else reversal_sd*scale)


def _contact_stands(fit: "TwoZones") -> bool:
    """Contact lies behind the tip, is longer than the blur, and where there is a zone ahead, opposite to it in phase."""
    if fit.gain_taper < EARNED or fit.length-fit.start < LEAST_LENGTH_PX:
        return False
    if fit.gain_bell < EARNED:
        return True
    gap = abs(float(np.angle(fit.C/fit.D, deg=True)))
    return gap > OPPOSITE_DEG and abs(fit.C) > LEAST_SHARE*abs(fit.D)


@dataclass(frozen=True)
class TwoZones:
    """Fit of taper and bell. covariance over [Re C, Im C, Re D, Im D, length, start]; gains: fall of chi-square."""
    C: complex
    D: complex
    length: float
    start: float
    place: float
    size: float
    covariance: np.ndarray
    gain_taper: float
    gain_bell: float
    chi2: float

    def sd_of_amplitude(self, z: complex, first: int) -> float:
        u = np.array([z.real, z.imag])/max(abs(z), 1e-30)
        return float(np.sqrt(u@self.covariance[first:first+2, first:first+2]@u))

    def reversal(self) -> float | None:
        """Where the phase turns over between the zones, px from the tip: zero of the profile on their common axis."""
        axis = self.D/abs(self.D)-self.C/abs(self.C)
        x = np.linspace(self.start-6, self.place+3, 400)
        q = ((self.C*taper(x, self.start, self.length)+self.D*bell(x, self.place, self.size))*np.conj(axis)).real
        turns = np.flatnonzero((q[:-1] < 0) & (q[1:] >= 0))
        if not turns.size:
            return None
        i = int(turns[np.argmin(np.abs(x[turns]-self.start))])
        return float(x[i]-q[i]*(x[i+1]-x[i])/(q[i+1]-q[i]))


def two_zones(profile: Profile) -> TwoZones:
    """Grid over start, length, place and size, each with the two complex amplitudes by linear least squares; then
    Gauss-Newton from the best, which gives the covariance."""
    x, y, w = profile.x_px, profile.values/profile.sd, 1/profile.sd
    longest = -float(x.min())
    lengths = np.unique(np.concatenate([np.arange(2, 12, 1.0), np.geomspace(12, max(13.0, longest), 12)]))
    tapers = np.array([(s, n) for s in (-3.0, -1.5, 0.0, 1.0) for n in lengths])
    bells = np.array([(p, s) for p in (0.0, 1.5, 3.0, 5.0) for s in (1.2, 2.0, 3.2, 5.0)])
    a = np.stack([taper(x, s, n) for s, n in tapers])*w
    b = np.stack([bell(x, p, s) for p, s in bells])*w
    aa, bb, ab = np.sum(a*a, 1), np.sum(b*b, 1), a@b.T
    ay, by = a@y, b@y
    det = aa[:, None]*bb-ab**2
    c = (bb*ay[:, None]-ab*by)/det
    d = (aa[:, None]*by-ab*ay[:, None])/det
    explained = (np.conj(c)*ay[:, None]+np.conj(d)*by).real
    i, j = np.unravel_index(int(np.argmax(explained)), explained.shape)
    total = float(np.sum(np.abs(y)**2))
    parameters = np.array([c[i, j].real, c[i, j].imag, d[i, j].real, d[i, j].imag, tapers[i, 1], tapers[i, 0], *bells[j]])
    parameters, inverse = _polish(parameters, x, y, w, longest)
    chi2 = _chi2(parameters, x, y, w)
    only_bell = total-float(np.max(np.abs(by)**2/bb))
    only_taper = total-float(np.max(np.abs(ay)**2/aa))
    inverse = inverse*max(1.0, chi2/max(1, 2*x.size-8))
    return TwoZones(complex(*parameters[:2]), complex(*parameters[2:4]), float(parameters[4]), float(parameters[5]),
                    float(parameters[6]), float(parameters[7]), inverse[:6, :6], only_bell-chi2, only_taper-chi2, chi2)


LOW = np.array([-np.inf]*4+[1.5, -5.0, -1.0, 0.8])
HIGH = np.array([np.inf]*4+[np.inf, 3.0, 10.0, 10.0])
# what is believed of the shapes before looking, px: keeps them in bounds where the signal says nothing of them
BELIEVED = np.array([0, 0, 0, 0, 0, -0.5, 1.5, 2.0])
BELIEF_SD = np.array([np.inf, np.inf, np.inf, np.inf, np.inf, 1.5, 2.0, 2.0])


def _model(p: np.ndarray, x: np.ndarray) -> np.ndarray:
    return complex(p[0], p[1])*taper(x, p[5], p[4])+complex(p[2], p[3])*bell(x, p[6], p[7])


def _residual(p: np.ndarray, x: np.ndarray, y: np.ndarray, w: np.ndarray) -> np.ndarray:
    off = _model(p, x)*w-y
    return np.concatenate([off.real, off.imag, (p-BELIEVED)[5:]/BELIEF_SD[5:]])


def _chi2(p: np.ndarray, x: np.ndarray, y: np.ndarray, w: np.ndarray) -> float:
    return float(np.sum(np.abs(_model(p, x)*w-y)**2))


def _polish(p: np.ndarray, x: np.ndarray, y: np.ndarray, w: np.ndarray, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Levenberg-Marquardt with a numerical Jacobian; returns parameters and their covariance."""
    high = HIGH.copy()
    high[4] = 2*longest
    step = np.array([1e-6, 1e-6, 1e-6, 1e-6, 1e-2, 1e-2, 1e-2, 1e-2])
    damping = 1e-2
    r = _residual(p, x, y, w)
    for _ in range(25):
        jacobian = np.stack([(_residual(p+step*e, x, y, w)-_residual(p-step*e, x, y, w))/(2*s)
                             for e, s in zip(np.eye(8), step, strict=True)], 1)
        gram, slope = jacobian.T@jacobian, jacobian.T@r
        scale = np.diag(np.diag(gram)+1e-12)
        move = np.linalg.lstsq(gram+damping*scale, -slope, rcond=None)[0]
        trial = np.clip(p+move, LOW, high)
        rt = _residual(trial, x, y, w)
        if rt@rt < r@r:
            settled = r@r-rt@rt < 1e-6
            p, r, damping = trial, rt, damping*0.3
            if settled:
                break
        else:
            damping *= 8
            if damping > 1e8:
                break
    s = 1/np.sqrt(np.diag(gram)+1e-12)
    return p, s[:, None]*np.linalg.pinv(gram*s[:, None]*s, rcond=1e-10, hermitian=True)*s
