"""One quantity, four names: how fast a mode dies away.

A mode that is let go rings as exp(-a t) cos(2 pi f t). Its loss factor is
eta = a / (pi f) = tan delta; Q = 1 / eta = f / (width at -3 dB); the decay time to -60 dB is
T60 = ln(1000) / a; the logarithmic decrement of successive periods is a / f = pi eta. These hold
for light damping (eta well below 1), as of wood.

Conventions: frequencies in Hz, times in s; every function takes numbers or arrays.
Source: definitions of the trade, as in Cremer, Heckl & Petersson, Structure-Borne Sound (recalled).

Functions: decay_rate, loss_factor, quality_factor, decay_time, logarithmic_decrement, bandwidth.
"""

import numpy as np

LN_1000 = float(np.log(1000.0))


def decay_rate(frequency_hz, loss):
    """a in 1/s of exp(-a t), from frequency and loss factor."""
    return np.pi * frequency_hz * loss


def loss_factor(frequency_hz, rate):
    """Loss factor from frequency and decay rate a in 1/s."""
    return rate / (np.pi * frequency_hz)


def quality_factor(loss):
    """Q, from the loss factor."""
    return 1.0 / loss


def decay_time(frequency_hz, loss):
    """Seconds to -60 dB, from frequency and loss factor."""
    return LN_1000 / decay_rate(frequency_hz, loss)


def logarithmic_decrement(loss):
    """Natural logarithm of the ratio of successive swings, from the loss factor."""
    return np.pi * loss


def bandwidth(frequency_hz, loss):
    """Width in Hz of the resonance at half its power, from frequency and loss factor."""
    return frequency_hz * loss
