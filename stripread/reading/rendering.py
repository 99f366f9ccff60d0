"""What a camera's rendering does to colours: its tone curve, and what is beyond a mixture of its channels.

Phones raise saturation, more for some hues and for pale colours than for others, and compress what leaves the gamut.
All of it leaves greys alone and changes slowly from colour to colour. It moves encoded colours away from their luma by
a factor: one for all colours, and one that differs smoothly from colour to colour; a smaller part turns hues. So it is
a Gaussian process over colour that is zero on the grey axis, learned together with the response (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, 2.7: explicit part and a smooth remainder). Its size is what
makes the patches most likely, and usually nothing in photographs that are rendered plainly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.observation import Response
from shared.colour import srgb_decode

Array = NDArray[np.float64]


def tone(u: Array, bends: Array) -> Array:
    """Tone curve on encoded values: an S about the middle, a lift and a shoulder (``bends``); 0 and 1 are fixed."""
    return np.asarray(u + bends_at(u) @ bends)


def bends_at(u: Array) -> Array:
    """The three ways (..., 3) in which the tone curve bends."""
    return (u * (1 - u))[..., None] * np.stack([2 * u - 1, np.ones_like(u), u**3], axis=-1)


def tone_slope(u: Array, bends: Array) -> Array:
    """Slope (...) of the tone curve at encoded values (...), at least 0.1."""
    ways = np.stack([6 * u * (1 - u) - 1, 1 - 2 * u, 4 * u**3 - 5 * u**4], axis=-1)
    return np.maximum(1 + ways @ bends, 0.1)


def linearise(bends: Array) -> Array:
    """Linear light (256,) of each count; where a curve would turn back it stays level."""
    u = np.linspace(0.0, 1.0, 1025)
    rendered = np.maximum.accumulate(tone(u, bends)) + 1e-9 * u
    return srgb_decode(np.interp(np.linspace(0.0, 1.0, 256), rendered, u))


def encode_slope(linear: Array) -> Array:
    """Slope (...) of the encoding of sRGB (IEC 61966-2-1) at linear light (...)."""
    return np.where(linear <= 0.0031308, 12.92, 1.055 / 2.4 * np.maximum(linear, 1e-6) ** (1 / 2.4 - 1))


#: Sizes that are tried, relative changes of saturation; and what is usual in phones.
SIZES, USUAL_SIZE = (0.0, 0.025, 0.05, 0.1, 0.2), 0.1
#: How many times the stated uncertainty the patches may stray by themselves: all are tried.
NOISES = (1.0, 1.5, 2.25, 3.4, 5.0, 7.5)
#: Over how much of the encoded scale (0 to 1) a rendering changes.
LENGTH = 0.3
#: What else a rendering does than change saturation: signal, a share of the paper's, for a unit of chroma and size.
OTHERWISE = 0.5
_EXPONENT = 1 / 2.4
#: Lightness and two opponent axes of encoded red, green and blue.
_AXES = np.array([[0.30, 0.55, 0.15], [0.50, -0.50, 0.0], [0.25, 0.25, -0.50]])
#: Luma of encoded red, green and blue (ITU-R BT.709).
_LUMA = np.array([0.2126, 0.7152, 0.0722])


def alike(signals: Array, others: Array) -> Array:
    """Covariance (3, n, m) of the rendering between colours given as signals (n, 3) and (m, 3), for unit size."""
    a, b = (_encoded(s) @ _AXES.T for s in (signals, others))
    near = np.exp(-0.5 * ((a[:, None] - b) ** 2).sum(axis=-1) / LENGTH**2)
    chroma = np.outer(np.hypot(a[:, 1], a[:, 2]), np.hypot(b[:, 1], b[:, 2]))
    saturation = np.einsum("nc,mc->cnm", _saturated(signals), _saturated(others))
    return np.asarray(saturation * (1 + near) + OTHERWISE**2 * chroma * near)


def _encoded(signals: Array) -> Array:
    return np.sign(signals) * np.abs(signals) ** _EXPONENT


def _saturated(signals: Array) -> Array:
    """Change (n, 3) of signals for a relative change of saturation: of the distances of encoded channels from luma."""
    encoded = _encoded(signals)
    return np.asarray(np.abs(encoded) ** (1 / _EXPONENT - 1) / _EXPONENT * (encoded - encoded @ _LUMA[:, None]))


@dataclass(frozen=True, slots=True)
class Rendering:
    """The rendering as estimated from the patches; first axes are hypotheses, weighted by ``share`` (h,), and channels.

    ``seen`` (n, 3): colours of patches and paper, as signals; ``noise`` (n, 3): variances of their signals.
    ``inverse`` (h, 3, n, n), ``solved`` (h, 3, n): their inverse covariance, and it times the signals. ``gain``
    (h, 3, n, 13), ``means`` (h, 3, 13): of the linear response; ``camera`` (h, n, r): what the camera's factors add
    to the signals.
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
        near = self.size**2 * alike(self.seen, signal[None])[:, :, 0]
        added = np.einsum("hcn,cn->hc", self.solved, near)
        apart = added - self.share @ added
        mean, whole = response.mean.copy(), response.correction + response.mismatch
        mean[:, 0] += self.share @ added
        tied = np.einsum("h,hc,hck->ck", self.share, apart, self.means - response.mean)
        tied = tied - np.einsum("h,cn,hcnk->ck", self.share, near, self.gain)
        whole[:, 0, :] += tied
        whole[:, :, 0] += tied
        own = self.size**2 * alike(signal[None], signal[None])[:, 0, 0]
        solved = np.einsum("hcnm,cm->hcn", self.inverse, near)
        whole[:, 0, 0] += own + self.share @ (apart**2 - np.einsum("hcn,cn->hc", solved, near))
        correction = self._correction(near, own)
        camera = response.camera.copy()
        camera[:, 0] -= np.einsum("h,hcn,hnr->cr", self.share, solved, self.camera, optimize=True)
        return replace(response, mean=mean, correction=correction, mismatch=whole - correction, camera=camera)

    def _correction(self, near: Array, own: Array) -> Array:
        """Covariance (3, 13, 13) from the patches' noise and the rendering, of variance ``own`` (3,) at a colour.

        ``near`` (3, n): covariance of the rendering there and at the patches.
        """
        gain = self.gain.copy()
        gain[..., 0] += np.einsum("hcnm,cm->hcn", self.inverse, near)
        unlike = np.einsum("nc,nm->cnm", self.noise, np.eye(near.shape[1])) + self.size**2 * alike(self.seen, self.seen)
        out = np.einsum("h,hcnk,cnm,hcml->ckl", self.share, gain, unlike, gain, optimize=True)
        cross = np.einsum("h,cn,hcnk->ck", self.share, near, gain)
        out[:, 0, :] -= cross
        out[:, :, 0] -= cross
        out[:, 0, 0] += own
        return np.asarray(out)


def likeliest_size(unit: Array, covariance: Array, noise: Array, signals: Array) -> float:
    """The size under which signals (n, 3) are likely (root mean square), with the ``covariance`` (3, n, n) of all else.

    ``unit`` (3, n, n): covariance of the rendering for unit size. ``noise`` (n, 3): the part of the rest that each
    patch has by itself, which may be larger than stated: patches that stray each in its own way, as on a worn card,
    are not rendering.
    """
    own = noise.T[:, None] * np.eye(len(signals))
    tried = [(size, times) for size in SIZES for times in NOISES]
    stack = np.array([covariance + (times**2 - 1) * own + size**2 * unit for size, times in tried])
    fits = log_density(stack, signals.T).sum(axis=1) - [0.5 * (size / USUAL_SIZE) ** 2 for size, _ in tried]
    if tried[int(np.argmax(fits))][0] == 0:
        return 0.0
    share = np.exp(fits - fits.max()).reshape(len(SIZES), -1).sum(axis=1)
    return float(np.sqrt(np.square(SIZES) @ share / share.sum()))


#: Variance of the row that log_density adds to each covariance: larger than any chi-square.
_BORDER = 1e300


def log_density(covariance: Array, signals: Array, more: Array | float = 0.0) -> Array:
    """Log density (...,) of signals (..., n) of mean zero under ``covariance + more`` (..., n, n), but for a constant.

    Cholesky's factor of a covariance bordered by the signals ends in the row whose squares are their chi-square.
    """
    shape, n = np.broadcast_shapes(covariance.shape[:-2], signals.shape[:-1], np.shape(more)[:-2]), signals.shape[-1]
    bordered = np.empty((*shape, n + 1, n + 1))
    np.add(covariance, more, out=bordered[..., :n, :n])
    bordered[..., n, :n], bordered[..., :n, n] = signals, signals
    bordered[..., n, n] = _BORDER
    factor = np.linalg.cholesky(bordered)
    scale = np.diagonal(factor, axis1=-2, axis2=-1)[..., :n]
    return np.asarray(-0.5 * (factor[..., n, :n] ** 2).sum(axis=-1) - np.log(scale).sum(axis=-1))
