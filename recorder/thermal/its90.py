"""The coefficients of ITS-90 for thermocouples K, J and T: data only.

Source: NIST Standard Reference Database 60 (ITS-90 thermocouple coefficients); J also NIST Monograph 175, tables 6.3.1
and A6.1. Transcribed in public copies with lost signs, so tests/test_thermocouple.py compares with two other copies.
Reference junction at 0 °C; millivolts and °C throughout; coefficients from the constant term upwards.
"""

from dataclasses import dataclass

Coefficients = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """One range of a reference function."""

    low_c: float
    high_c: float
    forward: Coefficients
    """Millivolts as a polynomial of °C."""
    bell: tuple[float, float, float] | None = None
    """a0, a1, a2 of the added a0 exp(a1 (t - a2)^2); type K above 0 °C only."""


@dataclass(frozen=True, slots=True)
class Inverse:
    """One range of the published approximation of °C from millivolts, good to about 0.05 °C."""

    low_mv: float
    high_mv: float
    coefficients: Coefficients


# fmt: off
PIECES: dict[str, tuple[Piece, ...]] = {
    "K": (
        Piece(-270.0, 0.0, (
            0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8, -0.675090591730e-10,
            -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
        )),
        Piece(0.0, 1372.0, (
            -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7, 0.318409457190e-9,
            -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
        ), (0.1185976, -0.1183432e-3, 126.9686)),
    ),
    "J": (
        Piece(-210.0, 760.0, (
            0.0, 0.503811878150e-1, 0.304758369300e-4, -0.856810657200e-7, 0.132281952950e-9, -0.170529583370e-12,
            0.209480906970e-15, -0.125383953360e-18, 0.156317256970e-22,
        )),
        Piece(760.0, 1200.0, (
            0.296456256810e3, -0.149761277860e1, 0.317871039240e-2, -0.318476867010e-5, 0.157208190040e-8,
            -0.306913690560e-12,
        )),
    ),
    "T": (
        Piece(-270.0, 0.0, (
            0.0, 0.387481063640e-1, 0.441944343470e-4, 0.118443231050e-6, 0.200329735540e-7, 0.901380195590e-9,
            0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18,
            0.487686622860e-21, 0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30,
        )),
        Piece(0.0, 400.0, (
            0.0, 0.387481063640e-1, 0.332922278800e-4, 0.206182434040e-6, -0.218822568460e-8, 0.109968809280e-10,
            -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
        )),
    ),
}

INVERSES: dict[str, tuple[Inverse, ...]] = {
    "K": (
        Inverse(-5.891, 0.0, (
            0.0, 2.5173462e1, -1.1662878, -1.0833638, -8.9773540e-1, -3.7342377e-1, -8.6632643e-2, -1.0450598e-2,
            -5.1920577e-4,
        )),
        Inverse(0.0, 20.644, (
            0.0, 2.508355e1, 7.860106e-2, -2.503131e-1, 8.315270e-2, -1.228034e-2, 9.804036e-4, -4.413030e-5,
            1.057734e-6, -1.052755e-8,
        )),
        Inverse(20.644, 54.886, (
            -1.318058e2, 4.830222e1, -1.646031, 5.464731e-2, -9.650715e-4, 8.802193e-6, -3.110810e-8,
        )),
    ),
    "J": (
        Inverse(-8.095, 0.0, (
            0.0, 1.9528268e1, -1.2286185, -1.0752178, -5.9086933e-1, -1.7256713e-1, -2.8131513e-2, -2.3963370e-3,
            -8.3823321e-5,
        )),
        Inverse(0.0, 42.919, (
            0.0, 1.978425e1, -2.001204e-1, 1.036969e-2, -2.549687e-4, 3.585153e-6, -5.344285e-8, 5.099890e-10,
        )),
        Inverse(42.919, 69.553, (
            -3.11358187e3, 3.00543684e2, -9.94773230, 1.70276630e-1, -1.43033468e-3, 4.73886084e-6,
        )),
    ),
    "T": (
        Inverse(-5.603, 0.0, (
            0.0, 2.5949192e1, -2.1316967e-1, 7.9018692e-1, 4.2527777e-1, 1.3304473e-1, 2.0241446e-2, 1.2668171e-3,
        )),
        Inverse(0.0, 20.872, (
            0.0, 2.592800e1, -7.602961e-1, 4.637791e-2, -2.165394e-3, 6.048144e-5, -7.293422e-7,
        )),
    ),
}
# fmt: on
