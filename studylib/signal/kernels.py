"""What a steady tone looks like in the bins of an unwindowed Fourier transform.

A tone of `nu` cycles in a record of `n` samples, written about the record's middle,
x(tau) = Re(A exp(i 2 pi nu tau)) with tau in (-1/2, 1/2), has in bin m the value
A/2 D(nu - m) + conj(A)/2 D(-nu - m) once the transform is divided by n and its phase is
referred to the middle (`centred_bins`). D is the Dirichlet kernel, real and even. A change
of the frequency multiplies the tone by exp(i 2 pi eps tau), a linear drift by
exp(i pi delta tau^2); their first-order effects on the bins are the first and second
derivative of D, and the second order of the drift its fourth. A stronger drift is integrated
numerically (`drifting`): by 50 ppm in 10 s the 20th harmonic of 172 Hz turns by 1.3 radians.

The derivatives' closed forms divide differences that vanish by powers of the offset, so all
accuracy is lost near a coherent tone (offset 0): there the power series is used.

Functions: centred_bins, dirichlet, moment, drifting.
Source: the definition of the discrete Fourier transform; series of sin(x)/x; Gauss-Legendre
quadrature.
"""

import numpy as np

# Below this offset (in bins) the series is used; its last kept term is then below 1e-15.
SERIES_BELOW = 0.35
_TERMS = 12
SERIES_TURN = 0.2  # radians of drift; the series' first dropped term is then 2e-5 of the tone
NODES = 64  # enough for the 17 cycles that the outermost bins and a drift turn through
# Gauss-Legendre nodes over (0, 1/2), the weights doubled for the other half.
TAU, WEIGHT = np.polynomial.legendre.leggauss(NODES) * np.array([[0.25], [0.5]]) + [[0.25], [0.0]]


def centred_bins(spectrum: np.ndarray, bins: np.ndarray, n: int) -> np.ndarray:
    """Pick bins of a real FFT, scaled by 1/n and with phases about the record's middle.

    Parameters
    ----------
    spectrum : complex, shape (channels, n // 2 + 1), from `rfft`.
    bins : int, any shape, each in [0, n // 2].
    n : length of the record in samples.

    Returns
    -------
    complex, shape (channels, *bins.shape).
    """
    # exp(i 2 pi m c / n) with c = (n - 1) / 2 is (-1)^m exp(-i pi m / n).
    return spectrum[:, bins] * ((1.0 - 2.0 * (bins & 1)) * np.exp((-1j * np.pi / n) * bins) / n)


def dirichlet(u: np.ndarray, n: int) -> np.ndarray:
    """Mean of exp(i 2 pi u tau) over the record's n samples; 1 at u = 0."""
    denominator = n * np.sin(np.pi / n * u)
    far = np.abs(denominator) >= 1e-9
    return np.divide(np.sin(np.pi * u), denominator, out=np.ones_like(denominator), where=far)


def _series(derivative: int) -> np.ndarray:
    """Coefficients of the power series of a derivative of sin(x)/x, lowest power first."""
    j, coefficients = 2 * np.arange(1, _TERMS), np.zeros(2 * _TERMS)
    coefficients[::2] = np.cumprod([1.0, *(-1.0 / (j * (j + 1)))])
    return np.polynomial.polynomial.polyder(coefficients, derivative)


_SERIES = {order: _series(order) for order in (1, 2, 4)}
_FACTORS = {1: 0.5, 2: -0.25, 4: 0.0625}  # (1 / 2i)^order, times i for an odd one


def moment(u: np.ndarray, order: int) -> np.ndarray:
    """Mean of tau^order exp(i 2 pi u tau), for an order of 1, 2 or 4; of the first, i times it.

    It is a derivative of sin(x)/x at x = pi u, the continuous kernel, which stands for D here; near
    the tone (u much below n) they agree to (pi u / n)^2 / 6.
    """
    near = np.abs(u) < SERIES_BELOW
    x = np.pi * np.where(near, 1.0, u)
    s, c, r = np.sin(x), np.cos(x), 1.0 / x
    if order == 1:
        far = (c - s * r) * r
    elif order == 2:
        far = (-s - 2.0 * (c - s * r) * r) * r
    else:
        # Leibniz on sin(x) * 1/x.
        far = (s + 4.0 * c * r - 12.0 * s * r**2 - 24.0 * c * r**3 + 24.0 * s * r**4) * r
    if near.any():
        far[near] = np.polynomial.polynomial.polyval(np.pi * u[near], _SERIES[order])
    return _FACTORS[order] * far


def drifting(u: np.ndarray, turn: np.ndarray, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Kernel of a drifting tone with its slope and curvature: exp(i turn tau^2) under each mean.

    Parameters
    ----------
    u : (K, B) offsets in bins;  turn : (K,) radians, pi times the drift in bins.
    n : samples in the record.

    Returns
    -------
    kernel (complex), slope, curvature: each (K, B). Up to a turn of 0.2 the kernel is a series
    in it and the other two stand as without drift; beyond, all three are integrated.
    """
    still, most = dirichlet(u, n), np.abs(turn).max()
    if most > SERIES_TURN:
        return _integrated(u, turn, still)
    bend = moment(u, 2)
    kernel = still + 1j * turn[:, None] * bend
    if most > 0.1 * SERIES_TURN:
        kernel -= 0.5 * turn[:, None] ** 2 * moment(u, 4)
    return kernel, moment(u, 1), bend


def _integrated(
    u: np.ndarray, turn: np.ndarray, still: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    angle = 2 * np.pi * u[:, :, None] * TAU
    even, odd = np.cos(angle), np.sin(angle)
    chirp = np.exp(1j * turn[:, None] * TAU**2)

    def mean(wave: np.ndarray, of: np.ndarray) -> np.ndarray:
        parts = np.matmul(wave, np.stack([of.real, of.imag], axis=2))
        return parts[:, :, 0] + 1j * parts[:, :, 1]

    return (
        still + mean(even, WEIGHT * (chirp - 1.0)),
        -mean(odd, WEIGHT * TAU * chirp),
        mean(even, WEIGHT * TAU**2 * chirp),
    )
