"""Colour rendering that is not linear: what a camera does to colours beyond a mixture of its channels.

Phones raise saturation, more for some hues and for pale colours than for others, and compress what leaves the gamut.
All of it leaves greys alone and changes slowly from colour to colour. So it is a Gaussian process over colour that is
zero on the grey axis, learned together with the response (Rasmussen and Williams, Gaussian Processes for Machine
Learning, 2006, 2.7: explicit linear part and a smooth remainder). Its size is what makes the patches most likely, and
usually nothing in photographs that are rendered plainly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.observation import Response

Array = NDArray[np.float64]

#: Sizes that are tried: signal, as a share of the paper's, for a unit of chroma; and what is usual in phones: 0.03 of
#: white for a strong colour, whose chroma is 0.3.
SIZES, USUAL_SIZE = (0.0, 0.025, 0.05, 0.1, 0.2), 0.1
#: How many times the stated uncertainty the patches may stray by themselves: all are tried.
NOISES = (1.0, 1.5, 2.25, 3.4, 5.0)
#: Over how much of the encoded scale (0 to 1) a rendering changes.
LENGTH = 0.3
_EXPONENT = 1 / 2.4
#: Lightness and two opponent axes of encoded red, green and blue.
_AXES = np.array([[0.30, 0.55, 0.15], [0.50, -0.50, 0.0], [0.25, 0.25, -0.50]])


def alike(signals: Array, others: Array) -> Array:
    """Covariance (n, m) of the rendering between colours given as signals (n, 3) and (m, 3), for unit size."""
    a, b = (np.sign(s) * np.abs(s) ** _EXPONENT @ _AXES.T for s in (signals, others))
    chroma = np.outer(np.hypot(a[:, 1], a[:, 2]), np.hypot(b[:, 1], b[:, 2]))
    gap = ((a[:, None] - b) ** 2).sum(axis=-1)
    return np.asarray(chroma * np.exp(-0.5 * gap / LENGTH**2))


@dataclass(frozen=True, slots=True)
class Rendering:
    """What the patches show of the rendering; first axes are hypotheses, weighted by ``share`` (h,), and channels.

    ``seen`` (n, 3): signals of patches and paper; ``noise`` (n, 3): their variances. ``inverse`` (h, 3, n, n),
    ``solved`` (h, 3, n): their inverse covariance, and it times the signals. ``gain`` (h, 3, n, 13), ``means``
    (h, 3, 13): of the linear response; ``camera`` (h, n, r): what the camera's factors add to the signals.
    """

    size: float
    seen: Array
    noise: Array
    share: Array
    inverse: Array
    solved: Array
    gain: Array
    means: Array
    camera: Array

    def at(self, response: Response, signal: Array) -> Response:
        """The response for a colour of that signal (3,): its constant includes what the rendering adds there.

        The covariances are those of the constant and the other coefficients together: a colour that the rendering
        misjudges is misjudged by the response in the opposite direction.
        """
        if self.size == 0:
            return response
        near = self.size**2 * alike(self.seen, signal[None])[:, 0]
        apart = self.solved @ near - self.share @ (self.solved @ near)
        mean, whole = response.mean.copy(), response.correction + response.mismatch
        mean[:, 0] += self.share @ (self.solved @ near)
        tied = np.einsum("h,hc,hck->ck", self.share, apart, self.means - response.mean)
        tied = tied - np.einsum("h,hck->ck", self.share, near @ self.gain)
        whole[:, 0, :] += tied
        whole[:, :, 0] += tied
        own = self.size**2 * float(alike(signal[None], signal[None])[0, 0])
        whole[:, 0, 0] += own + self.share @ (apart**2 - (self.inverse @ near) @ near)
        correction = self._correction(near, own)
        camera = response.camera.copy()
        camera[:, 0] -= np.einsum("h,hcn,hnr->cr", self.share, self.inverse @ near, self.camera, optimize=True)
        return replace(response, mean=mean, correction=correction, mismatch=whole - correction, camera=camera)

    def _correction(self, near: Array, own: float) -> Array:
        """Covariance (3, 13, 13) from the patches' noise and the rendering, which has ``own`` variance at a colour.

        ``near`` (n,): covariance of the rendering there and at the patches.
        """
        gain = self.gain.copy()
        gain[..., 0] += self.inverse @ near
        unlike = np.einsum("nc,nm->cnm", self.noise, np.eye(len(near))) + self.size**2 * alike(self.seen, self.seen)
        out = np.einsum("h,hcnk,cnm,hcml->ckl", self.share, gain, unlike, gain, optimize=True)
        cross = np.einsum("h,hck->ck", self.share, near @ gain)
        out[:, 0, :] -= cross
        out[:, :, 0] -= cross
        out[:, 0, 0] += own
        return np.asarray(out)


def likeliest_size(covariance: Array, noise: Array, signals: Array) -> float:
    """The size under which signals (n, 3) are likely (root mean square), with the ``covariance`` (3, n, n) of all else.

    ``noise`` (n, 3): the part of it that each patch has by itself, which may be larger than stated: patches that
    stray each in its own way, as on a worn card, are no rendering.
    """
    unit = alike(signals, signals)
    own = noise.T[:, None] * np.eye(len(signals))
    fits = {(size, times): _evidence(covariance + (times**2 - 1) * own + size**2 * unit, signals)
            - 0.5 * (size / USUAL_SIZE) ** 2 for size in SIZES for times in NOISES}
    best = max(fits, key=fits.__getitem__)
    if best[0] == 0:
        return 0.0
    shares = {size: sum(np.exp(fits[size, times] - fits[best]) for times in NOISES) for size in SIZES}
    return float(np.sqrt(sum(size**2 * share for size, share in shares.items()) / sum(shares.values())))


def _evidence(covariance: Array, signals: Array) -> float:
    solved = np.linalg.solve(covariance, signals.T[..., None])[..., 0]
    return float(-0.5 * (signals.T * solved).sum() - 0.5 * np.linalg.slogdet(covariance)[1].sum())
